"""`python -m lapwright` is the `lapwright` command."""

import sys

from lapwright.cli import main

if __name__ == "__main__":
    sys.exit(main())

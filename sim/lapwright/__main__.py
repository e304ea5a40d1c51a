"""`python -m lapwright` is the `lapwright` command."""

from __future__ import annotations

import sys

from lapwright.commands.main import main

if __name__ == "__main__":
    sys.exit(main())

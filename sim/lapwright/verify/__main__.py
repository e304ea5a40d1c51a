"""Write the page of validation to standard output: python -m lapwright.verify > docs/validation.md."""

from __future__ import annotations

import sys

from lapwright.verify import verify
from lapwright.verify.page import page


def main() -> int:
    """Write the page; 1 if a row fails."""
    rows = verify()
    sys.stdout.write(page(rows))
    return 0 if all(row.ok for row in rows) else 1


if __name__ == "__main__":
    sys.exit(main())

"""Write the page of validation to standard output: python -m lapwright.verification > docs/validation.md."""

from __future__ import annotations

import sys

from lapwright.verification.proof import page, verify


def main() -> int:
    """Write the page; 1 if a row fails."""
    rows = verify()
    sys.stdout.write(page(rows))
    return 0 if all(row.ok for row in rows) else 1


if __name__ == "__main__":
    sys.exit(main())

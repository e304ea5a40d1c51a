"""Make the table of rooms in DEVELOPERS.md and the page docs/rooms.md from docstrings.

Run it from anywhere: python docs/make_rooms.py
"""

from __future__ import annotations

import ast
import re
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
PACKAGE = ROOT / "sim" / "lapwright"
DEVELOPERS, PAGE = ROOT / "DEVELOPERS.md", ROOT / "docs" / "rooms.md"
BEGIN, END = "<!-- rooms: made by docs/make_rooms.py -->", "<!-- end of rooms -->"
# From the ground up, as in tests/test_floors.py: imports point down only.
ROOMS = (
    *(
        "specification",
        "metrology",
        "kinematics",
        "contact",
        "integration",
        "modal",
        "study",
        "results",
    ),
    *("optimisation", "verification", "presentation", "commands"),
)
HEAD = """# Where things live

Every module of the package, room by room, the lowest room first; made from their docstrings by
`docs/make_rooms.py`, never edited by hand. [DEVELOPERS.md](../DEVELOPERS.md) says how rooms hang together.
"""


def docstring(path: Path) -> str:
    """What a module says of itself."""
    return ast.get_docstring(ast.parse(path.read_text("utf-8"))) or ""


def first(path: Path) -> str:
    """The first line of it."""
    return docstring(path).partition("\n")[0]


def table() -> str:
    """The rooms, each with its sentence and where to begin reading."""
    lines = ["| room | what it holds | modules |", "| --- | --- | --- |"]
    for room in ROOMS:
        said = " ".join(docstring(PACKAGE / room / "__init__.py").split())
        number = sum(1 for path in (PACKAGE / room).rglob("*.py") if path.name != "__init__.py")
        lines.append(f"| `{room}` | {said} | {number} |")
    return "\n".join(lines)


def page() -> str:
    """docs/rooms.md whole."""
    parts = [HEAD, "## The ground\n"]
    parts += [_line(path, PACKAGE) for path in sorted(PACKAGE.glob("*.py"))]
    for room in ROOMS:
        parts.append(f"\n## {room}\n\n{docstring(PACKAGE / room / '__init__.py')}\n")
        parts += [_line(path, PACKAGE / room) for path in sorted((PACKAGE / room).rglob("*.py"))]
    return "\n".join(part for part in parts if part) + "\n"


def _line(path: Path, room: Path) -> str:
    if path == room / "__init__.py" and room != PACKAGE:
        return ""
    return f"- `{path.relative_to(room).as_posix()}`: {first(path)}"


def developers() -> str:
    """DEVELOPERS.md with the table as it ought to be."""
    text = DEVELOPERS.read_text("utf-8")
    made = f"{BEGIN}\n\n{table()}\n\n{END}"
    return re.sub(f"{re.escape(BEGIN)}.*{re.escape(END)}", lambda _: made, text, flags=re.DOTALL)


if __name__ == "__main__":
    DEVELOPERS.write_text(developers(), "utf-8")
    PAGE.write_text(page(), "utf-8")

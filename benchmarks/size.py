"""How large the house is, room by room: lines of code, no blanks, comments or docstrings; templates counted.

    python benchmarks/size.py [ROOT] [--files]     ROOT: another copy of the project, or of the package

Python is counted as formatted at 100 columns (`ruff format --line-length 100`, of a copy), so that the way a
line is broken neither gains nor loses; templates (html, j2, css, js, svg, txt, toml) as they stand, without
blank lines and comments.  Stubs (the lists of public names) count as Python, but not as modules.
"""

from __future__ import annotations

import argparse
import ast
import io
import shutil
import subprocess
import sys
import tempfile
import tokenize
from collections import defaultdict
from pathlib import Path

TEMPLATES = {".html", ".j2", ".jinja", ".css", ".js", ".svg", ".txt", ".toml", ".csv", ".md"}
COLUMNS = 100


def code_lines(text: str) -> int:
    """Lines of Python that hold code: those on which a token of code stands."""
    silent = set[int]()
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef):
            first = node.body[0] if node.body else None
            text_of = first.value if isinstance(first, ast.Expr) else None
            if isinstance(text_of, ast.Constant) and isinstance(text_of.value, str):
                assert first is not None
                silent |= set(range(first.lineno, (first.end_lineno or first.lineno) + 1))
    names = ("COMMENT", "NL", "NEWLINE", "INDENT", "DEDENT", "ENDMARKER", "ENCODING")
    nothing = {getattr(tokenize, name) for name in names}
    seen = set[int]()
    for token in tokenize.generate_tokens(io.StringIO(text).readline):
        if token.type not in nothing:
            seen |= set(range(token.start[0], token.end[0] + 1))
    return len(seen - silent)


def template_lines(text: str, ending: str) -> int:
    """Lines of a template that are neither blank nor comment."""
    begins = {".toml": "#", ".csv": "#", ".js": "//"}.get(ending, "{#")
    return sum(
        1 for line in text.splitlines() if line.strip() and not line.strip().startswith(begins)
    )


def package_of(root: Path) -> Path:
    """The package's folder in a worktree."""
    for place in (root / "sim" / "lapwright", root / "sim", root):
        if (place / "__init__.py").exists():
            return place
    raise SystemExit(f"there is no package in {root}")


def counted(package: Path) -> dict[str, dict[str, int]]:
    """Lines of code by room and file."""
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / "package"
        shutil.copytree(package, copy, ignore=shutil.ignore_patterns("__pycache__"))
        how = ["-q", "--isolated", "--no-cache", "--line-length", str(COLUMNS)]
        subprocess.run([sys.executable, "-m", "ruff", "format", *how, str(copy)], check=True)
        rooms: dict[str, dict[str, int]] = defaultdict(dict)
        for path in sorted(copy.rglob("*")):
            inside = path.relative_to(copy)
            room = inside.parts[0] if len(inside.parts) > 1 else "(ground)"
            if path.suffix in (".py", ".pyi"):
                rooms[room][inside.as_posix()] = code_lines(path.read_text())
            elif path.suffix in TEMPLATES and path.is_file():
                rooms[room][inside.as_posix()] = template_lines(path.read_text(), path.suffix)
        return rooms


def main() -> None:
    """Count and print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("root", nargs="?", type=Path, default=Path(__file__).resolve().parents[1])
    parser.add_argument("--files", action="store_true")
    args = parser.parse_args()
    rooms = counted(package_of(args.root))
    for room, files in rooms.items():
        modules = sum(Path(name).suffix == ".py" for name in files)
        print(
            f"{room:<20}{sum(files.values()):>7}  in {modules} modules, {len(files) - modules} other files"
        )
        for name, lines in files.items() if args.files else ():
            print(f"    {name:<44}{lines:>5}")
    every = {name: lines for files in rooms.values() for name, lines in files.items()}
    modules = sum(Path(name).suffix == ".py" for name in every)
    print(f"{'all':<20}{sum(every.values()):>7}  in {modules} modules")


if __name__ == "__main__":
    main()

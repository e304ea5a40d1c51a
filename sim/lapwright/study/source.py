"""From a file on disk to a TOML document; every way in which that fails is told in one line, quickly.

The size is looked at before anything is read, so that a huge file, a device or a pipe hangs nothing.
Where TOML cannot be read, the lines are looked through for what beginners type: curly quotes, a decimal
comma, a missing quote.
"""

from __future__ import annotations

import contextlib
import re
import stat
import tomllib
from itertools import islice
from pathlib import Path
from typing import Any

from lapwright.errors import Fault, StudyError
from lapwright.files import read_whole
from lapwright.specification.said import nearest, one_line, shown

LARGEST = 200_000  # bytes; the longest study imaginable has a tenth of that
DEEPEST = 60  # brackets within brackets, names within a dotted key
_CURLY = "\u201c\u201d\u201e\u201f\u2018\u2019\u201a\u201b\u00ab\u00bb\u2033\uff02"


def _refuse(message: str, code: str) -> StudyError:
    return StudyError([Fault("", one_line(message), code)])


def text_of(path: str | Path) -> str:
    """The text of a study file.

    Raises
    ------
    StudyError
        When it is missing, a directory, unreadable, too large or no text.

    """
    path = Path(path)
    name = _named(path)
    try:
        info = path.stat()
        wrong = None
        if stat.S_ISDIR(info.st_mode):
            wrong = f"a folder: give a study file in it{_inside(path)}"
        elif not stat.S_ISREG(info.st_mode):
            wrong = "not a file of text: give a study file (ending in .toml)"
        elif info.st_size > LARGEST:
            size = f"{info.st_size / 1e6:.1f} MB"
            wrong = f"{size} large: a study file is a page of text, 200 kB at most"
        if wrong is not None:
            raise _refuse(f"{name} is {wrong}", "file")
        data = read_whole(path, LARGEST)
    except FileNotFoundError:
        raise _refuse(f"there is no file {name}{_instead(path)}", "file") from None
    except PermissionError:
        how = "ask for the right to read it"
        raise _refuse(f"{name} may not be read by you: {how}", "file") from None
    except (OSError, ValueError) as trouble:
        reason = getattr(trouble, "strerror", None) or "no such name"
        raise _refuse(f"{name} cannot be read: {reason}", "file") from None
    return _decoded(data, name)


def _named(path: Path) -> str:
    """A path as a message quotes it: of a long one the end."""
    text = str(path)
    return shown(text if len(text) <= 60 else f"...{text[-55:]}")


def _studies(folder: Path) -> list[Path]:
    """The studies that lie in a folder."""
    try:
        return sorted(path for path in islice(folder.iterdir(), 500) if path.suffix == ".toml")
    except (OSError, ValueError):
        return []


def _inside(path: Path) -> str:
    """A study that lies in a folder, for a message."""
    found = _studies(path)
    return f", such as {_named(found[0])}" if found else " (ending in .toml; there is none)"


def _instead(path: Path) -> str:
    """What the person may have meant, looked for in the same folder."""
    there = _studies(path.parent)
    with contextlib.suppress(OSError, ValueError):
        if path.suffix == "" and path.with_suffix(".toml").is_file():
            return f": did you mean {_named(path.with_suffix('.toml'))}?"
    close = nearest(path.name, [one.name for one in there])
    meant = (
        f"did you mean {_named(path.parent / close)}?"
        if close
        else "look at the name and the folder"
    )
    return f": {meant}"


def _decoded(data: bytes, name: str) -> str:
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise _refuse(f'{name} is saved as UTF-16 ("Unicode"): save it again as UTF-8', "encoding")
    if data.startswith(b"\x89HDF"):
        raise _refuse(f"{name} is a run file, not a study: give the study it was made from", "file")
    if b"\x00" in data:
        raise _refuse(f"{name} is not text: a study file is plain text (TOML)", "file")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as trouble:
        line = data[: trouble.start].count(b"\n") + 1
        wrong = f"{name} line {line} has a letter that is not UTF-8"
        how = "save it as UTF-8, or write um for micro"
        raise _refuse(f"{wrong}: {how}", "encoding") from None


def document_of(text: str) -> dict[str, Any]:
    """The TOML document in a text.

    Raises
    ------
    StudyError
        With the lines that cannot be read and what is likely wrong with each.

    """
    if len(text) > LARGEST:
        raise _refuse("the study is longer than 200 kB: a study is a page of text", "file")
    text = text.removeprefix("\ufeff")  # the mark that some editors put before a text
    lines = text.split("\n")
    _refuse_depth(text, lines)
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as trouble:
        raise StudyError(_diagnosed(str(trouble), lines)) from None
    except RecursionError:
        raise _refuse("brackets within brackets, too deep to read: no study is", "syntax") from None
    except ValueError:
        # Python's own limit on the digits of a number.
        raise _refuse("a number of thousands of digits cannot be read", "syntax") from None


# Sound quotes, comments and brackets, each found in time that grows no faster than the text.
_QUOTED = re.compile(r"\"(?:[^\"\\\n]|\\.)*\"|'[^'\n]*'")
_MARKS = re.compile(_QUOTED.pattern + r"|#[^\n]*|[\[\]{}]")


def _refuse_depth(text: str, lines: list[str]) -> None:
    """Refuse what no study needs and what would keep the parser busy for hours or exhaust its stack."""
    depth = 0
    for mark in _MARKS.finditer(text):
        depth = depth + 1 if mark[0] in "[{" else max(0, depth - 1) if mark[0] in "]}" else depth
        if depth > DEEPEST:
            at = text.count("\n", 0, mark.start()) + 1
            wrong = f"more than {DEEPEST} brackets within brackets"
            raise _refuse(f"line {at}: {wrong}: none is that deep", "syntax")
    for at, line in enumerate(lines, 1):
        if line.count(".") <= DEEPEST:
            continue
        names = _MARKS.sub("q", line).replace(" ", "").replace("\t", "")
        if any(sum(map(bool, part.split("."))) > DEEPEST for part in re.split(r"[^\w.-]", names)):
            wrong = f"a key of more than {DEEPEST} names"
            raise _refuse(f"line {at}: {wrong}: none is that deep", "syntax")


def _diagnosed(complaint: str, lines: list[str]) -> list[Fault]:
    """All lines with a beginner's mistake; the parser's own complaint where it points elsewhere."""
    faults: dict[int, Fault] = {}
    multiline = False
    for at, line in enumerate(lines, 1):
        if line.count('"""') % 2 or line.count("'''") % 2:
            multiline = not multiline
            continue
        found = None if multiline else _beginners(line)
        if found is not None and len(faults) < 20:
            faults[at] = _at_line(at, f"{found[0]} in {shown(line.strip())}: {found[1]}")
    place = re.search(r"\(at line (\d+), column (\d+)\)", complaint)
    at = int(place[1]) if place else len("\n".join(lines).rstrip().split("\n"))
    if complaint.startswith("Cannot overwrite"):
        at = _said_twice(lines) or at
    if not any(seen <= at for seen in faults):
        line = lines[at - 1].strip() if 0 < at <= len(lines) else ""
        what, how = _explained(complaint, line)
        faults[at] = _at_line(at, f"{what} in {shown(line)}: {how}" if line else f"{what}: {how}")
    return [faults[at] for at in sorted(faults)]


def _at_line(at: int, message: str) -> Fault:
    return Fault(f"line {at}", one_line(message), "syntax")


def _said_twice(lines: list[str]) -> int | None:
    """Number of the first line whose key was said before under the same heading."""
    seen: set[tuple[int, str]] = set()
    heading = 0
    for at, line in enumerate(lines, 1):
        name = line.partition("=")[0].strip()
        if name.startswith("["):
            heading = at
        elif name and not name.startswith("#") and "=" in line:
            if (heading, name) in seen:
                return at
            seen.add((heading, name))
    return None


_UNQUOTED = re.compile(r"=\s*([+-]?\d[\d.e+-]*\s?[A-Za-z%µμ][\w%/µμ ]*)[,}\]]")


def _beginners(line: str) -> tuple[str, str] | None:
    """The three commonest first mistakes: what it is, and what to do."""
    if len(line) > 500:
        return None
    code = _QUOTED.sub('""', line).partition("#")[0].strip()  # what stands outside sound quotes
    curly = [c for c in code if c in _CURLY]
    if curly:
        how = 'type the straight quote " of the keyboard (not a word processor)'
        return f"curly quotes ({curly[0]})", how
    if re.search(r"=\s*[+-]?\d+,\d", code):
        return "a decimal comma", 'write a point, and number and unit in quotes, such as "2.5 um"'
    if code.replace('""', "").count('"') % 2:
        return "a missing quote", 'a text begins and ends with ", such as "160 mm"'
    value = code.partition("=")[2].strip()
    if value and not code.startswith("[") and _needs_quotes(value):
        return "a missing quote", f'put the value between quotes: "{value[:40]}"'
    inner = _UNQUOTED.search(code)
    if inner is not None:
        return "a missing quote", f'put the value between quotes: "{inner[1].strip()[:40]}"'
    return None


def _needs_quotes(value: str) -> bool:
    """Whether a value is bare words or a number with a unit."""
    if value[0] in "\"'[{" or value.lower() in ("true", "false"):
        return False
    if re.fullmatch(
        r"[+-]?(0[xob])?[\dA-Fa-f_]+|[+-]?[\d_]*\.?[\d_]+([eE][+-]?\d+)?|[+-]?(nan|inf)", value
    ):
        return False
    if re.fullmatch(r"\d{4}-\d\d-\d\d.*|\d\d:\d\d.*", value):
        return False
    return '"' not in value and "'" not in value


# What the parser complains of, by how it begins | what it is | what to do.
_SAYINGS = r"""
Cannot overwrite a value | the same key twice | keep one of them
Cannot declare | the same table twice | put its keys together under one [heading]
Cannot mutate immutable | a table that is said in two places | put its keys together in one place
Unescaped | a backslash in a text | write two backslashes, or a slash
Illegal character '\n' | a missing quote | a text begins and ends with " on the same line
Illegal character | a sign that may not stand there | remove it
Unclosed array | a list without its end | close it with ]
Unclosed inline table | a table without its end | close it with } on the same line
Unterminated string | a missing quote | a text begins and ends with "
Expected ']]' | a heading without its end | write [[steps]] with two brackets on both sides
Expected ']' | a heading without its end | write [plates.A], or [[steps]] with two brackets
Expected '=' | no = after the name | write name = "value"
Invalid initial character for a key | a line that does not begin with a name | write name = "value"
Invalid statement | a line that is neither a key nor a heading | write name = "value" (notes begin with #)
Invalid value | a value that cannot be read | put text, and numbers with a unit, in quotes: "160 mm"
Expected newline | something after the value | put text, and numbers with a unit, in quotes: "160 mm"
Invalid date | a date that cannot be | write year-month-day, such as 2026-01-31
Expected | something is missing | write name = "value"
"""


def _explained(complaint: str, line: str) -> tuple[str, str]:
    """The parser's complaint in plain words."""
    if re.match(r"^\s*[\w.]+\s*:", line):
        return "a colon", 'write = between name and value, such as title = "First pair"'
    if complaint.startswith("Cannot overwrite") and line.startswith("["):
        how = "write [[steps]] with two brackets each time"
        return "a heading that was said before in another form", how
    for saying in _SAYINGS.strip().splitlines():
        sign, what, how = saying.split(" | ")
        if complaint.startswith(sign):
            return what, how
    return "this cannot be read", 'write name = "value", one to a line'

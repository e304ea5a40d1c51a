"""The one writer of studies: a document as TOML, with comments, order and spelling of the file it was in.

A file is taken apart at its headings.  What stands under a heading stays letter by letter where nothing in it
has changed; else it is changed key by key (by tomlkit, loaded only then).  Comments right above a heading go
where it goes.  What is new stands as a person would write it, a table within a table on one line.
"""

from __future__ import annotations

import contextlib
import datetime
import json
import re
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

Place = tuple[str | int, ...]  # of a table in a document: ("steps", 0, "stroke")

# Tables of tables, each of which gets a heading of its own.
NAMED = ("plates", "parts", "grits", "gauges")
_OWN_HEAD = re.compile(r"#[^\n]*[Ww]ritten by lapwright [^\n]*\n(?:#[^\n]*\n)*\n?")
_BARE = re.compile(r"[A-Za-z0-9_-]+", re.ASCII)
# Texts of all four kinds, comments and brackets: they tell where a heading begins.
_MARKS = re.compile(
    r'"""(?:\\.|[^\\])*?"{3,5}|\'\'\'.*?\'{3,5}|"(?:\\.|[^"\\\n])*"|\'[^\'\n]*\'|#[^\n]*|[\[\]]',
    re.DOTALL,
)

_COMMENTS = re.compile(r"(?:^[ \t]*#[^\n]*\n)*\Z", re.MULTILINE)
_LOOSE = re.compile(r"^[ \t]*\n(?:[ \t]*(?:#[^\n]*)?\n)*\Z", re.MULTILINE)


def inline(value: Any) -> str:
    """One value on one line.

    Raises
    ------
    TypeError
        When TOML has no such value.

    """
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return _text(value)
    if isinstance(value, int | float):
        return repr(value)
    if isinstance(value, datetime.datetime | datetime.date | datetime.time):
        return value.isoformat()
    if isinstance(value, list | tuple):
        return f"[{', '.join(map(inline, value))}]"
    if isinstance(value, Mapping):
        return _braced({key: inline(one) for key, one in value.items()})
    raise TypeError(f"TOML has no {type(value).__name__}")


def _braced(texts: Mapping[str, str]) -> str:
    pairs = ", ".join(f"{_key(key)} = {text}" for key, text in texts.items())
    return f"{{ {pairs} }}" if texts else "{}"


def _key(key: str) -> str:
    return key if _BARE.fullmatch(key) else _text(key)


def _text(text: str) -> str:
    # TOML's basic strings are JSON's, but for the one control character that JSON leaves alone.
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def written(
    document: Mapping[str, Any],
    note: str = "",
    like: str = "",
    order: Sequence[int] | None = None,
    remarks: bool = True,
) -> str:
    """The text of a study that reads as `document`; `note` becomes a comment at its head.

    `like`: the file that the document was made from, of which comments, order and spelling are kept, but not
    a head that the program wrote.  `order` of its steps by their numbers there (from 1), where that changes.
    `remarks`: a comment behind a value stays there where the value changes; else it goes with the old one.
    """
    ends = "\r\n" if "\r\n" in like else "\n"
    like = like.removeprefix("\ufeff").replace("\r\n", "\n")
    if note and (own := _OWN_HEAD.match(like)):
        like = like[own.end() :]
    blocks = _parts(like)
    if order is not None and list(order) != sorted(order):
        blocks = _ordered(blocks, order)
    blocks = _changed(_without_lost(blocks, document), document, remarks)
    text = "".join(f"# {line}\n" for line in note.splitlines())
    if note and blocks[0].text.startswith("#"):
        text += "\n"
    for block in blocks:
        gap = "\n" if block.moved and text and not text.endswith("\n\n") else ""
        text += gap + block.text
    return (text.rstrip("\n") + (like[len(like.rstrip("\n")) :] or "\n")).replace("\n", ends)


@dataclass(frozen=True)
class _Block:
    """A heading with the comments right above it, the keys below, and the blank lines at its end."""

    place: Place
    head: str
    body: str
    tail: str = ""
    moved: bool = False

    @property
    def text(self) -> str:
        return self.head + self.body + self.tail


@dataclass(frozen=True)
class _Homes:
    """The places that have a heading, and those on the way to one."""

    heads: set[Place]
    ways: set[Place]


def _parts(text: str) -> list[_Block]:
    """The blocks of a file; the first stands under no heading."""
    text += "\n" if text and not text.endswith("\n") else ""
    # Texts are covered over, letter for letter: what looks like a comment in one is none.
    bare = _MARKS.sub(lambda mark: mark[0] if mark[0][0] in "#[]" else len(mark[0]) * "q", text)
    blocks: list[_Block] = []
    counts: dict[Place, int] = {}
    place: Place = ()
    begun = 0, 0
    for start, end in [*_headings(bare), (len(bare), 0)]:
        head, body = begun
        # Comments right above a heading are its own; but what a file begins with is the file's.
        above = start - len(_COMMENTS.search(bare, body, start)[0]) if end else start  # type: ignore[index]
        if not blocks and above == 0:
            above = start
        loose = _LOOSE.search(bare, body, above)
        tail = above if loose is None else loose.start()
        blocks.append(_Block(place, text[head:body], text[body:tail], text[tail:above]))
        begun = above, end
        if end:
            place = _place(text[start:end], counts)
    return blocks


def _headings(bare: str) -> Iterator[tuple[int, int]]:
    """Where the line of each heading begins and ends."""
    depth = 0
    for mark in re.finditer(r"#[^\n]*|[\[\]]", bare):
        if mark[0] == "[":
            begun = bare.rfind("\n", 0, mark.start()) + 1
            if depth == 0 and not bare[begun : mark.start()].strip():
                yield begun, bare.index("\n", mark.end()) + 1
            depth += 1
        elif mark[0] == "]":
            depth -= 1


def _place(heading: str, counts: dict[Place, int]) -> Place:
    """The place that a heading names; `counts` of the lists of tables so far."""
    place: Place = ()
    inner: Any = tomllib.loads(heading)
    while inner:
        if isinstance(inner, list):
            counts[place] = counts.get(place, 0) + 1
            inner = inner[0]
            place = (*place, counts[place] - 1)
            continue
        if place in counts:
            place = (*place, counts[place] - 1)
        ((key, inner),) = inner.items()
        place = (*place, key)
    return place


def _ordered(blocks: Sequence[_Block], order: Sequence[int]) -> list[_Block]:
    """The blocks with those of the steps in another order."""
    out: list[_Block] = []
    for block in blocks:
        if block.place[:1] != ("steps",):
            out.append(block)
        elif len(block.place) == 2:
            new = int(block.place[1])
            own = [one for one in blocks if one.place[:2] == ("steps", order[new] - 1)]
            for one in own:
                place = ("steps", new, *one.place[2:])
                out.append(replace(one, place=place, moved=one is own[0]))
    return out


def _without_lost(blocks: Sequence[_Block], document: Mapping[str, Any]) -> list[_Block]:
    """The blocks that the document still has; comments that stand by themselves stay."""
    out: list[_Block] = []
    for block in blocks:
        if isinstance(_at(document, block.place), Mapping):
            out.append(block)
        elif "#" in block.tail:
            out[-1] = replace(out[-1], tail=out[-1].tail.rstrip("\n") + block.tail)
    return out


def _at(document: Mapping[str, Any], place: Place) -> Any:
    """What a document has at a place; None where it has nothing."""
    here: Any = document
    for key in place:
        there = range(len(here)) if isinstance(here, list) else here
        if not isinstance(there, range | Mapping) or key not in there:
            return None
        here = here[key]
    return here


def _changed(
    blocks: Sequence[_Block], document: Mapping[str, Any], remarks: bool = True
) -> list[_Block]:
    """The blocks with what the document says in each, and new ones for what has none."""
    heads = {block.place for block in blocks}
    homes = _Homes(heads, {place[:k] for place in heads for k in range(1, len(place))})
    out, new = [], list[tuple[Place, Mapping[str, Any]]]()
    for block in blocks:
        said = tomllib.loads(block.body)
        own, more = _shared(block.place, _at(document, block.place), said, homes)
        new += more
        if not _same(said, own):
            block = replace(block, body=_edited(block.body, said, own, remarks))
        out.append(block)
    for place, pairs in new:
        names = ".".join(_key(name) for name in place if isinstance(name, str))
        heading = f"[[{names}]]\n" if isinstance(place[-1], int) else f"[{names}]\n"
        at = max(range(len(out)), key=lambda k: (_common(out[k].place, place), k))
        out.insert(at + 1, _Block(place, heading, _pairs(pairs), moved=True))
    return out


def _common(one: Place, other: Place) -> int:
    """How much of the ways to two places is the same."""
    apart = (k for k, (a, b) in enumerate(zip(one, other, strict=False)) if a != b)
    return next(apart, min(len(one), len(other)))


def _shared(
    place: Place, wanted: Mapping[str, Any], said: Mapping[str, Any], homes: _Homes
) -> tuple[dict[str, Any], list[tuple[Place, Mapping[str, Any]]]]:
    """What a table says under its own heading, where it `said` so far, and what goes under new headings."""
    own, new = dict[str, Any](), list[tuple[Place, Mapping[str, Any]]]()
    for key, value in wanted.items():
        inner: Place = (*place, key)
        if inner in homes.heads:
            continue
        below = inner in homes.ways
        if below and isinstance(said.get(key), Mapping):
            some, more = _shared(inner, value, said[key], homes)
            own |= {key: some} if some else {}
            new += more
        elif below or (not place and key not in said and _headed(value)):
            new += _missing(inner, value, homes)
        else:
            own[key] = value
    return own, new


def _headed(value: Any) -> bool:
    """True for a table, or a list of them: what stands under headings."""
    if isinstance(value, list):
        return bool(value) and all(isinstance(entry, Mapping) for entry in value)
    return isinstance(value, Mapping)


def _missing(place: Place, value: Any, homes: _Homes) -> Iterator[tuple[Place, Mapping[str, Any]]]:
    """Tables that have no heading yet."""
    if isinstance(value, list):
        entries = (((*place, number), entry) for number, entry in enumerate(value))
        yield from (one for one in entries if one[0] not in homes.heads)
        return
    named = place[0] in NAMED and len(place) == 1
    below = {key for key in value if (*place, key) in homes.heads | homes.ways}
    apart = below | {key for key, inner in value.items() if named and isinstance(inner, Mapping)}
    pairs = {key: inner for key, inner in value.items() if key not in apart}
    if pairs or not apart:
        yield place, pairs
    for key in value:
        if key in apart and (*place, key) not in homes.heads:
            yield from _missing((*place, key), value[key], homes)


def _pairs(table: Mapping[str, Any]) -> str:
    return "".join(f"{_key(key)} = {inline(value)}\n" for key, value in table.items())


def _same(one: Any, other: Any) -> bool:
    """True where two values are written alike: 1 is not 1.0, nor true."""
    if isinstance(one, Mapping) and isinstance(other, Mapping):
        return one.keys() == other.keys() and all(_same(one[key], other[key]) for key in one)
    if isinstance(one, list) and isinstance(other, list):
        return len(one) == len(other) and all(map(_same, one, other))
    return type(one) is type(other) and (one == other or one != one)


def _edited(
    body: str, said: Mapping[str, Any], wanted: Mapping[str, Any], remarks: bool = True
) -> str:
    """Keys and comments with other values."""
    if not said:
        return body + _pairs(wanted)
    import tomlkit
    from tomlkit.exceptions import TOMLKitError

    table = tomlkit.parse(body)
    # Dotted keys of one table that lie apart confuse tomlkit now and then: then all are written anew, below
    # their comments.
    confused = (LookupError, RuntimeError, TOMLKitError, tomllib.TOMLDecodeError)
    with contextlib.suppress(*confused):
        _edit(table, said, wanted, remarks)
        if _same(tomllib.loads(table.as_string()), dict(wanted)):
            return table.as_string()
    comments = (mark[0] for mark in _MARKS.finditer(body) if mark[0].startswith("#"))
    return "".join(f"{comment}\n" for comment in comments) + _pairs(wanted)


def _edit(
    table: Any, said: Mapping[str, Any], wanted: Mapping[str, Any], remarks: bool = True
) -> None:
    """Change a table of tomlkit to what is wanted."""
    from tomlkit import value as item
    from tomlkit.items import InlineTable

    for key in said:
        if key not in wanted:
            del table[key]
    for key, value in wanted.items():
        if key not in said:
            table[key] = item(inline(value))
        elif not _same(said[key], value):
            here = table[key]
            dotted = isinstance(here, Mapping) and not isinstance(here, InlineTable)
            if dotted and isinstance(value, Mapping) and value:  # stroke.length = ...
                _edit(here, said[key], value, remarks)
                continue
            if dotted:
                del table[key]
                table[key] = item(inline(value))
                continue
            text = _spelt(here, said[key], value)
            new = item(text)
            # tomlkit hands out true and false bare; comments stay in their column where there is room.
            if not isinstance(here, bool) and here.trivia.comment:
                before = len(here.trivia.comment_ws)
                gap = max(before + len(here.as_string()) - len(text), min(before, 2))
                new.trivia.comment_ws, new.trivia.comment = gap * " ", here.trivia.comment
            table[key] = new
            if not remarks:  # tomlkit hands the old one's comment on
                table[key].trivia.comment_ws = table[key].trivia.comment = ""


def _spelt(here: Any, said: Any, value: Any) -> str:
    """A value on one line, what has not changed within it as it was."""
    if isinstance(said, Mapping) and isinstance(value, Mapping):
        kept = {key: _spelt(here[key], said[key], value[key]) for key in said if key in value}
        return _braced(kept | {key: inline(value[key]) for key in value if key not in said})
    if _same(said, value) and not isinstance(here, bool):
        return str(here.as_string())
    if isinstance(said, list) and isinstance(value, list) and len(said) == len(value):
        return f"[{', '.join(map(_spelt, here, said, value))}]"
    return inline(value)

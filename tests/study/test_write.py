"""Studies are written as they were typed, but for what has changed.

The outside: Python's own reader of TOML (tomllib) says what a text means, and comments are counted, each of
which has a number of its own and a key or a heading that it belongs to.
"""

from __future__ import annotations

import copy
import dataclasses
import re
import subprocess
import sys
import tomllib
from pathlib import Path
from random import Random
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lapwright.study.model import Study
from lapwright.study.read import load, parse, parse_document
from lapwright.study.source import document_of
from lapwright.study.variants import override
from lapwright.study.write import inline, written

CONFIGS = sorted((Path(__file__).parents[2] / "configs").glob("*.toml"))
COMMENT = re.compile(r"# (\d+)\b")

Owner = tuple[Any, ...] | None


class Typist:
    """Types a document as people do: headings, dotted keys, tables on one line, comments and blanks."""

    def __init__(self, dice: Random) -> None:
        self.dice = dice
        self.lines: list[str] = []
        self.owners: list[Owner] = []  # of comments, by number

    def comment(self, owner: Owner) -> str:
        self.owners.append(owner)
        return f"# {len(self.owners) - 1} [it's \"so]"

    def value(self, value: Any) -> str:
        dice = self.dice
        if isinstance(value, str) and dice.random() < 0.3 and re.fullmatch(r"[ -&(-~µ]*", value):
            return f"'{value}'"
        if isinstance(value, str) and dice.random() < 0.1:
            return f'"""\n{inline(value)[1:-1]}"""'
        if (
            isinstance(value, int)
            and not isinstance(value, bool)
            and value >= 0
            and dice.random() < 0.3
        ):
            return hex(value)
        if isinstance(value, list) and dice.random() < 0.5:
            return "[\n" + "".join(f"  {inline(one)},  # inside\n" for one in value) + "]"
        if isinstance(value, dict) and value:
            space = dice.choice(["", " "])
            return f"{{{space}{', '.join(f'{key(k)} = {self.inner(v)}' for k, v in value.items())}{space}}}"
        return inline(value)

    def inner(self, value: Any) -> str:
        return self.value(value) if isinstance(value, dict) else inline(value)

    def pairs(self, place: tuple[Any, ...], table: dict[str, Any], dotted: str = "") -> None:
        dice = self.dice
        for name, value in table.items():
            here = (*place, name)
            if dice.random() < 0.2:
                self.lines.append(self.comment(place if place else None))
            if isinstance(value, dict) and value and dice.random() < 0.3:
                self.pairs(here, value, f"{dotted}{key(name)}.")
                continue
            text = (
                f"{dotted}{key(name)} {'=' if dice.random() < 0.8 else '   ='} {self.value(value)}"
            )
            self.lines.append(text + (f"   {self.comment(here)}" if dice.random() < 0.4 else ""))
            if dice.random() < 0.1:
                self.lines.append("")

    def heading(self, place: tuple[Any, ...], heading: str, table: dict[str, Any]) -> None:
        dice = self.dice
        if self.lines and dice.random() < 0.7:
            self.lines += ["", self.comment(None), ""] if dice.random() < 0.3 else [""]
        if self.lines and dice.random() < 0.4:
            self.lines.append(self.comment(place))
        self.lines.append(heading + (f"  {self.comment(place)}" if dice.random() < 0.3 else ""))
        apart = {k for k, v in table.items() if isinstance(v, dict) and dice.random() < 0.2}
        self.pairs(place, {k: v for k, v in table.items() if k not in apart})
        for name in table:
            if name in apart:
                self.heading((*place, name), f"[{heading.strip('[]')}.{key(name)}]", table[name])

    def type(self, document: dict[str, Any]) -> str:
        below: list[str] = []
        above: dict[str, Any] = {}
        for name, value in document.items():
            tables = isinstance(value, dict) or (
                isinstance(value, list) and value and all(isinstance(one, dict) for one in value)
            )
            if tables and self.dice.random() < 0.8:
                below.append(name)
            else:
                above[name] = value
        self.pairs((), above)
        self.dice.shuffle(below)
        for name in below:
            value = document[name]
            if isinstance(value, list):
                for number, entry in enumerate(value):
                    self.heading((name, number), f"[[{key(name)}]]", entry)
            elif (
                value
                and all(isinstance(one, dict) for one in value.values())
                and self.dice.random() < 0.7
            ):
                for inner, entry in value.items():
                    self.heading((name, inner), f"[{key(name)}.{key(inner)}]", entry)
            else:
                self.heading((name,), f"[{key(name)}]", value)
        return "\n".join(self.lines) + "\n"


def key(name: str) -> str:
    return name if re.fullmatch(r"[A-Za-z0-9_-]+", name) else inline(name)


NAMES = st.sampled_from(["A", "B", "size", "time", "a b", "stroke.length", "load", "x", "9", "µ"])
LEAVES = (
    st.text(st.characters(exclude_categories=["Cs"]), max_size=8)
    | st.sampled_from(["40 min", "[steps]", "# no comment", 'a "quote"', "it's"])
    | st.integers(-5, 10**6)
    | st.floats(allow_nan=False)
    | st.booleans()
    | st.dates()
    | st.lists(st.sampled_from(["1 N", "2 N"]) | st.integers(0, 9), max_size=3)
)
VALUES = st.recursive(LEAVES, lambda inner: st.dictionaries(NAMES, inner, max_size=3))
TABLES = st.dictionaries(NAMES, VALUES, max_size=4)
DOCUMENTS = st.fixed_dictionaries(
    {"steps": st.lists(TABLES, min_size=1, max_size=3)},
    optional={
        "title": LEAVES,
        "seed": LEAVES,
        "plates": st.dictionaries(NAMES, TABLES, max_size=3),
        "grits": st.dictionaries(NAMES, TABLES, max_size=2),
        "tune": TABLES,
        "readings": st.lists(TABLES, max_size=2),
    },
)


def edited(document: dict[str, Any], dice: Random, new: list[Any]) -> dict[str, Any]:
    """Keys changed, taken away and added, deep and shallow."""
    out = copy.deepcopy(document)
    for name in ("tune", "readings", "grits"):
        if name in out and dice.random() < 0.3:
            del out[name]
    tables = [out]
    for table in tables:
        for inner in table.values():
            tables += [inner] if isinstance(inner, dict) else []
            tables += (
                [one for one in inner if isinstance(one, dict)] if isinstance(inner, list) else []
            )
    for value in new:
        table = dice.choice(tables)
        leaves = [
            k
            for k, v in table.items()
            if not (isinstance(v, list) and v and isinstance(v[0], dict))
        ]
        if leaves and dice.random() < 0.6:
            chosen = dice.choice(leaves)
            if dice.random() < 0.4 and table is not out:
                del table[chosen]
            elif not isinstance(table[chosen], dict) or dice.random() < 0.3:
                table[chosen] = value
        else:
            table[dice.choice(["new", "A", "time", "a.b"])] = value
    return out


def has(document: Any, place: tuple[Any, ...], like: Any) -> bool:
    """Whether a place is still there, of the kind that it was all the way down."""
    for name in place:
        if isinstance(like, list):
            if not (isinstance(document, list) and name < len(document)):
                return False
        elif not (isinstance(document, dict) and name in document):
            return False
        document, like = document[name], like[name]
        if isinstance(like, dict) and not isinstance(document, dict):
            return False
    return True


@pytest.mark.campaign
@settings(max_examples=150, deadline=None)
@given(DOCUMENTS, st.lists(LEAVES | TABLES, max_size=5), st.randoms(use_true_random=False))
def test_any_change_of_any_study_reads_as_wanted_and_keeps_its_comments(
    document, new, dice
) -> None:
    typist = Typist(dice)
    text = typist.type(document)
    assert tomllib.loads(text) == document
    assert written(document, like=text) == text
    wanted = edited(document, dice, new)
    got = written(wanted, "head", text)
    assert plain(tomllib.loads(got)) == plain(wanted)
    kept = [int(n) for n in COMMENT.findall(got)]
    lost = set(range(len(typist.owners))) - set(kept)
    assert len(kept) == len(set(kept))
    for number in lost:
        owner = typist.owners[number]
        assert owner is not None
        assert not has(wanted, owner, document), f"comment {number} of {owner} is lost"


def test_where_the_editor_of_tables_gives_up_keys_are_written_anew(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A library's slip over dotted keys that lie apart costs their order, and neither value nor comment."""
    text = '# of all\n[[steps]]\nA.b = 1 # one\n# of top\ntop = "x"\nA.c.d = 2 # two\n'
    wanted = {"steps": [{"A": {"b": 3, "c": {"d": 2}}, "top": "x"}]}

    def slips(*_: object) -> None:
        raise IndexError("list index out of range")

    monkeypatch.setattr("lapwright.study.write._edit", slips)
    got = written(wanted, like=text)
    assert tomllib.loads(got) == wanted
    assert [line for line in got.splitlines() if line.startswith("#")] == [
        *("# of all", "# one", "# of top", "# two")
    ]


def plain(value: Any) -> Any:
    """With the types told apart, whatever the order of keys."""
    if isinstance(value, dict):
        return {name: plain(one) for name, one in value.items()}
    if isinstance(value, list):
        return [plain(one) for one in value]
    return type(value).__name__, value


STUDIES = st.fixed_dictionaries(
    {
        "title": st.just("A pair"),
        "plates": st.fixed_dictionaries(
            {
                "A": st.fixed_dictionaries(
                    {"disc": st.just("160 mm"), "thickness": st.sampled_from(["30 mm", "1.25 in"])},
                    optional={
                        "form": st.sampled_from(
                            [{"dome": "2 um"}, {"twist": "1 um", "saddle": "20 uin"}]
                        )
                    },
                ),
                "B": st.just({"like": "A"}),
            }
        ),
        "steps": st.lists(
            st.fixed_dictionaries(
                {
                    "top": st.just("A"),
                    "bottom": st.just("B"),
                    "grit": st.sampled_from(["15 um", "fine"]),
                },
                optional={
                    "stroke": st.sampled_from(
                        [{"travel": "1/4"}, {"kind": "circle", "radius": "20 mm"}]
                    ),
                    "swap_every": st.sampled_from(["2 min", {"A": "2 min", "B": "1 min"}]),
                    "load": st.just("20 N"),
                },
            ).map(lambda step: step | {"time": "9 min"}),
            min_size=1,
            max_size=3,
        ),
        "grits": st.just({"fine": {"size": "9 um", "wear": {"removed": "2 um", "in": "10 min"}}}),
    },
    optional={"sweep": st.just({"load": ["10 N", "20 N"]}), "seed": st.integers(0, 99)},
)
CHANGES = st.fixed_dictionaries(
    {},
    optional={
        "stroke.travel": st.sampled_from(["1/3", "20 %"]),
        "stroke.centre.x": st.just("5 mm"),
        "swap_every": st.sampled_from(["70 s", {"A": "70 s", "B": "50 s"}]),
        "load": st.sampled_from(["0 N", "2 lbf"]),
        "strokes": st.just(80),
        "hand": st.sampled_from(["usual", {"amplitude": "5 %"}]),
    },
)


@pytest.mark.campaign
@settings(max_examples=100, deadline=None)
@given(STUDIES, CHANGES, st.randoms(use_true_random=False))
def test_a_changed_study_means_what_was_changed(document, changes, dice) -> None:
    typist = Typist(dice)
    text = typist.type(document)
    order = list(range(1, len(document["steps"]) + 1))
    dice.shuffle(order)
    turned = {**document, "steps": [document["steps"][k - 1] for k in order]}
    wanted = override(turned, dice.choice([None, 1]), changes)
    wanted.pop("sweep", None)
    got = written(wanted, "head", text, order)
    assert meaning(parse(got)) == meaning(parse_document(wanted))
    # Each comment is where its step went, and goes only with what it was about.
    kept = {int(n) for n in COMMENT.findall(got)}
    for number, owner in enumerate(typist.owners):
        if owner is not None and len(owner) > 1 and owner[0] == "steps":
            owner = ("steps", order.index(owner[1] + 1), *owner[2:])
        assert number in kept or not has(wanted, owner, turned)


def meaning(study: Study) -> Study:
    """All of a study but the text that it was read from."""
    return dataclasses.replace(study, text="")


HEAD = """\
# What a person wrote at the head

plates.A = { disc = '160 mm', thickness = "30 mm" }  # mine
plates.B = { like = "A" }

"""


def step(grit: str, note: str) -> str:
    return f'[[steps]]\ntop = "A"\nbottom = "B"\ngrit = "{grit}"{note}\ntime = "9 min"\n'


def test_a_step_moves_with_its_comments() -> None:
    coarse, fine = (
        "# coarse first\n" + step("15 um", "  # rough"),
        "# then fine\n" + step("9 um", ""),
    )
    document = document_of(HEAD + coarse + "\n" + fine)
    document["steps"] = document["steps"][::-1]
    assert written(document, "", HEAD + coarse + "\n" + fine, (2, 1)) == HEAD + fine + "\n" + coarse


@pytest.mark.parametrize("path", CONFIGS, ids=lambda path: path.stem)
def test_a_study_from_a_file_is_written_letter_by_letter(path: Path, tmp_path: Path) -> None:
    study = load(path)
    study.write(tmp_path / "again.toml")
    assert (tmp_path / "again.toml").read_bytes() == path.read_bytes()
    assert written(document_of(study.text), like=study.text) == study.text


def test_a_head_of_the_program_gives_way_and_a_persons_stays() -> None:
    once = written(
        document_of(HEAD), "x: one way of lapping y, written by lapwright compare.", HEAD
    )
    again = written(document_of(HEAD), "Written by lapwright tune from x.\nLap it.", once)
    assert again.rstrip() == ("# Written by lapwright tune from x.\n# Lap it.\n\n" + HEAD).rstrip()


def test_line_ends_of_windows_and_the_mark_of_some_editors_do_no_harm() -> None:
    text = "\ufeff" + (HEAD + step("15 um", "  # rough")).replace("\n", "\r\n")
    wanted = override(document_of(text), 1, {"grit": "9 um"})
    got = written(wanted, like=text)
    assert got == text.removeprefix("\ufeff").replace('"15 um"  # rough', '"9 um"   # rough')


@pytest.mark.parametrize(
    ("script", "loaded"),
    [
        ("import lapwright", False),
        ("from lapwright.commands.main import main; main(['preview', 'x.toml'])", False),
        ("from lapwright.study.write import written; written({'seed': 1})", False),
        ("from lapwright.study.write import written; written({'seed': 1}, 'x', 'seed = 1')", False),
        ("from lapwright.study.write import written; written({'seed': 2}, 'x', 'seed = 1')", True),
    ],
)
def test_the_library_is_loaded_only_where_a_key_changes(
    script: str, loaded: bool, tmp_path: Path
) -> None:
    (tmp_path / "x.toml").write_text(HEAD + step("15 um", ""))
    script = f"import sys; {script}; print('tomlkit' in sys.modules, file=sys.stderr)"
    done = subprocess.run(
        [sys.executable, "-c", script], cwd=tmp_path, capture_output=True, check=True
    )
    assert done.stderr.split()[-1].decode() == str(loaded)

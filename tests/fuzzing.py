"""Files made up at random, led by which lines of the program they reach.

`python fuzzing.py`: reads lines of JSON, each with a kind, a corpus, and how many more inputs to try from
which seed, and prints what it found.
An input is a base and a row of numbers, each of which draws one change of it: so a corpus is a short list of
numbers.  One that reaches a line which none did before is kept, and later ones are made from it.  The manner
is that of M. Zalewski's american fuzzy lop (whitepaper "Technical details", 2014; from memory).
"""

from __future__ import annotations

import io
import json
import os
import random
import re
import resource
import signal
import sys
import tempfile
import traceback
import warnings
import zipfile
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager, redirect_stderr, redirect_stdout, suppress
from dataclasses import dataclass, field
from pathlib import Path
from types import CodeType, FrameType
from typing import Any

import hurry
import numpy as np
from study_typed import LONG, SHORTEST

import lapwright
from lapwright.commands.main import main
from lapwright.errors import LapwrightError
from lapwright.metrology.sdf import to_sdf
from lapwright.metrology.surface import Surface
from lapwright.metrology.x3p import to_x3p
from lapwright.optimisation.workers import warm
from lapwright.results import runfile
from lapwright.results.layout import Group, Leaf, tree_of
from lapwright.results.recorder import Recorder, heading, restore, save
from lapwright.results.runfile import FORMAT, SCHEMA, read_resume, read_run, write_tree
from lapwright.study.read import load, parse

HOME = str(Path(lapwright.__file__).parent)
LONGEST, MOST = 5.0, 300_000_000  # s, and bytes more than at the start, that one input may take
ONCE = 40  # times that a piece of code is looked at without a new line before it is only sampled
LOOKED_AT = 4  # every so many inputs the lines are looked at, for that takes as long as the input
DEARLY = 10  # every so many inputs what takes long is tried too: the numbers behind what was read
Genome = tuple[str, tuple[int, ...]]

# What a person writes, or a program that is broken: numbers at their ends, wrong kinds, wrong signs.
TOKENS = (
    *(
        "nan",
        "inf",
        "-1",
        "0",
        "1e308",
        "1e-320",
        "1e999",
        "-0.0",
        "true",
        "[]",
        "{}",
        "9" * 19,
        "0x10",
    ),
    *(
        '""',
        '"A"',
        '"B"',
        '"Z"',
        '"160 mm"',
        '"-3 um"',
        '"0 mm"',
        '"1e9 km"',
        '"nan um"',
        '"10 %"',
        '"400 grit"',
    ),
    *(
        '"8 deg per stroke"',
        '"90 deg every 3 strokes"',
        "2026-01-31",
        "\n",
        "\n[[steps]]\n",
        "\n[plates.C]\n",
    ),
    *("=", ".", ",", '"""', "#", "\u202e", "\x00", "\u00b5"),
)
ENDS = (0, 1, -1, 2, 127, 255, 256, 32767, -32768, 65535, 2**31 - 1, -(2**31), 2**32 - 1, 2**63 - 1)


def of_text(dice: random.Random, text: str) -> str:
    """A text with one change."""
    at = dice.randrange(len(text) + 1)
    match dice.randrange(7):
        case 0:
            return text[:at] + dice.choice(TOKENS) + text[at:]
        case 1:
            return text[:at] + text[at + dice.randrange(1, 30) :]
        case 2:
            return (
                text[:at]
                + chr(dice.choice([dice.randrange(256), dice.randrange(0xD800)]))
                + text[at + 1 :]
            )
        case 3:  # one value in place of another
            found = list(re.finditer(r"\"[^\"\n]*\"|[-+]?\d[\d.e+-]*", text))
            if not found:
                return text
            one = dice.choice(found)
            return (
                text[: one.start()]
                + dice.choice([*TOKENS, dice.choice(found)[0]])
                + text[one.end() :]
            )
        case 4:
            lines = text.splitlines(keepends=True)
            dice.shuffle(part := lines[(k := dice.randrange(len(lines) + 1)) : k + 6])
            return "".join([*lines[:k], *part, *lines[k + 6 :]])
        case 5:
            lines = text.splitlines(keepends=True) or [""]
            lines.insert(dice.randrange(len(lines) + 1), dice.choice(lines))
            return "".join(lines)
        case _:  # a longer number, or a shorter
            number = str(
                dice.choice([*ENDS, dice.uniform(-1e3, 1e3), 10.0 ** dice.randrange(-320, 300)])
            )
            return re.sub(r"[-+]?\d[\d.]*", lambda _: number, text[: at + 200][at:], count=1).join(
                [text[:at], text[at + 200 :]]
            )


def of_bytes(dice: random.Random, data: bytes) -> bytes:
    """Bytes with one change."""
    spoilt = bytearray(data)
    at = dice.randrange(len(data) + 1)
    match dice.randrange(6):
        case 0 if spoilt:
            spoilt[at % len(spoilt)] ^= 1 << dice.randrange(8)
        case 1:
            size = dice.choice([1, 2, 4, 8])
            value = dice.choice(ENDS) % (1 << 8 * size)
            spoilt[at : at + size] = value.to_bytes(size, dice.choice(["little", "big"]))
        case 2:
            spoilt[at : at + 8] = np.array(
                [dice.choice([np.nan, np.inf, -1e308, 0.0, 1e-320, 1e-9])]
            ).tobytes()
        case 3:
            del spoilt[at : at + dice.choice([1, 4, 40])]
        case 4:
            spoilt[at:at] = dice.choice(TOKENS).encode("utf-8")
        case _:
            with suppress(UnicodeDecodeError):
                return of_text(dice, data.decode("utf-8")).encode("utf-8", "replace")
    return bytes(spoilt)


def of_archive(dice: random.Random, data: bytes) -> bytes:
    """An archive with one change, mostly in a file in it: the sums of the archive are right again."""
    if dice.random() < 0.15:
        return of_bytes(dice, data)
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as old:
            held = {name: old.read(name) for name in old.namelist()}
    except Exception:
        return of_bytes(dice, data)
    if not held:
        return data
    name = dice.choice(list(held))
    held[name] = of_bytes(dice, held[name])
    if dice.random() < 0.7:
        held.pop("md5checksum.hex", None)
    store = io.BytesIO()
    with zipfile.ZipFile(store, "w", zipfile.ZIP_DEFLATED) as new, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for name, content in held.items():
            new.writestr(zipfile.ZipInfo(name), content)
    return store.getvalue()


def of_json(dice: random.Random, value: Any) -> Any:
    """Plain data with one change, somewhere in it."""
    if isinstance(value, dict | list) and value and dice.random() < 0.9:
        keys = list(value) if isinstance(value, dict) else list(range(len(value)))
        key = dice.choice(keys)
        if dice.random() < 0.12:
            value.pop(key)
        elif dice.random() < 0.08 and isinstance(value, dict):
            value[dice.choice(["is", "text", "extra", str(dice.choice(keys))])] = value.pop(key)
        else:
            value[key] = of_json(dice, value[key])
        return value
    near = [value * f for f in (0.0, -1.0, 2.0, 1e9)] if isinstance(value, float) else []
    return dice.choice(
        [None, True, 0, -1, 3, 1e300, 1e-300, 2**70, "", "A", "B", "Z", [], {}, [0.5], *near]
    )


def of_tree(dice: random.Random, tree: Group) -> Group:
    """A run file, before it is sealed, with one change."""
    places: list[tuple[Group, str]] = []

    def walk(group: Group) -> None:
        for name, item in group.items.items():
            places.append((group, name))
            if isinstance(item, Group):
                walk(item)

    walk(tree)
    groups = [tree, *(g.items[n] for g, n in places if isinstance(g.items[n], Group))]
    if dice.random() < 0.3 or not places:
        attrs = dice.choice([g.attrs for g in groups if isinstance(g, Group)])
        if attrs:
            key = dice.choice(list(attrs))
            text = attrs[key]
            if isinstance(text, str) and text.startswith("{") and dice.random() < 0.8:
                attrs[key] = json.dumps(of_json(dice, json.loads(text)))
            else:
                attrs[key] = dice.choice(
                    ["", "A", "done", "interrupted", 0, -1, 2**62, float("nan"), 1e300]
                )
        return tree
    group, name = dice.choice(places)
    item = group.items[name]
    if dice.random() < 0.1:
        del group.items[name]
    elif dice.random() < 0.1:
        group.items[dice.choice(["A", "B", "time", "00", "extra"])] = item
    elif isinstance(item, Leaf):
        group.items[name] = Leaf(of_leaf(dice, item.data), item.units, item.long_name)
    return tree


def of_leaf(dice: random.Random, data: Any) -> Any:
    """A dataset with one change."""
    if isinstance(data, str):
        try:
            return json.dumps(of_json(dice, json.loads(data)))
        except ValueError:
            return of_text(dice, data)
    if isinstance(data, tuple):
        return tuple(dice.choice(["A", "B", "Z", "swap", "", one]) for one in data)[
            : dice.choice([None, -1])
        ]
    array = np.array(data)
    match dice.randrange(5):
        case 0 if array.size:
            odd = [np.nan, np.inf, -np.inf, 0.0, -1.0, 1e300, 1e-300, 1e18]
            value = dice.choice(odd if array.dtype.kind == "f" else ENDS[:8])
            array.reshape(-1)[dice.randrange(array.size)] = value
        case 1:
            with np.errstate(all="ignore"):  # of what is none already
                array = array * dice.choice([0, -1, 2, 1000])
        case 2:
            array = array[:-1] if array.ndim and len(array) else np.zeros(3)
        case 3:
            array = array.reshape(-1) if array.ndim != 1 else array[:, None]
        case _:
            array = array.astype(
                "<i8" if array.dtype.kind == "f" and np.isfinite(array).all() else "<f8"
            )
    return array


# --- what is tried -------------------------------------------------------------------------------

PAIR = SHORTEST.replace('"160 mm"', '"160 mm", cells = 16').replace("40 min", "2 min")

FEWER = LONG.replace("cells = 128", "cells = 16")


def said(words: list[str]) -> None:
    """A command on a file; its end is one of those promised, or it is found."""
    with redirect_stdout(io.StringIO()), redirect_stderr(io.StringIO()) as told:
        code = main(words)
    if code not in (0, 1, 2) or re.search(
        "a fault of the program|Traceback|not enough memory", told.getvalue()
    ):
        raise AssertionError(f"{words}: {code}: {told.getvalue()}")


def dear(what: str) -> bool:
    """Whether what takes long is tried of it: hangs on the input alone."""
    return zlib.crc32(what.encode("utf-8", "replace")) % DEARLY == 0


def study(place: Path, text: str) -> None:
    """Read it; preview it."""
    with suppress(UnicodeEncodeError):  # half a letter, which no file holds
        (place / "s.toml").write_text(text, "utf-8")
        if dear(text):
            said(["preview", str(place / "s.toml")])
        else:
            with suppress(LapwrightError):
                load(place / "s.toml")


def table(place: Path, data: bytes) -> None:
    """Lay it on a plate."""
    (place / "a.map").write_bytes(data)
    form = 'form = { map = { file = "a.map", unit = "um", spacing = "10 mm" } }'
    for given in (form, 'form = { map = "a.map" }'):
        text = PAIR.replace('form = { dome = "3 um" }', given)
        if dear(f"{data!r}"):
            (place / "s.toml").write_text(text)
            said(["preview", str(place / "s.toml")])
        else:
            with suppress(LapwrightError):
                parse(text, "s", place)


def log(place: Path, text: str) -> None:
    """Read it beside its study."""
    from lapwright.optimisation.entry import entries_of

    with suppress(LapwrightError):
        entries_of(text, parse(PAIR, "s"))


@contextmanager
def filed(tree: Group, path: Path) -> Iterator[None]:
    """Have a tree in a file: every so many in a real one, the others handed over as if read from it."""
    if dear(repr(tree)):
        try:
            write_tree(tree, path)
        except (ValueError, TypeError, OverflowError):
            raise LapwrightError("no file can hold that") from None
        yield
        return
    path.write_bytes(b"handed over")
    known, runfile._tree = runfile._tree, lambda path: (SCHEMA, tree)
    try:
        yield
    finally:
        runfile._tree = known


def run(place: Path, tree: Group) -> None:
    """Read it, and say what it says."""
    with suppress(LapwrightError), filed(tree, place / "run.h5"):
        got = read_run(place / "run.h5")
        if dear(str(got.time) + str(got.study)):
            got.told()
            got.lines()
            said(["bearing", str(place / "run.h5")])


def checkpoint(place: Path, tree: Group) -> None:
    """Go on from it for a moment."""
    with suppress(LapwrightError), filed(tree, place / "run.part.h5"):
        from lapwright.integration.loop import lap

        typed = parse(PAIR, "s")
        begun = restore(place / "run.part.h5", typed)
        if not dear(str(begun.recorder.last)):
            return
        steps = lap(typed.plates, typed.steps, rounds=1, seed=typed.seed, margin=typed.margin,
                    after=begun.recorder.last)  # fmt: skip
        for moment, _ in zip(steps, range(2), strict=False):
            begun.recorder.take(moment)
        save(place / "again.h5", begun.recorder, heading(), begun.spent)


def half(place: Path) -> bytes:
    """A checkpoint in the middle of a run."""
    from lapwright.integration.loop import lap

    typed = parse(PAIR, "s")
    recorder = Recorder(typed)
    for moment, _ in zip(
        lap(typed.plates, typed.steps, margin=typed.margin), range(4), strict=False
    ):
        recorder.take(moment)
    save(place / "base.h5", recorder, heading(), 1.0)
    return (place / "base.h5").read_bytes()


@dataclass(frozen=True)
class Kind:
    """`bases` by name, made in a folder; `change` one of them; `look` at what came of it."""

    bases: Callable[[Path], dict[str, Callable[[], Any]]]
    change: Callable[[random.Random, Any], Any]
    look: Callable[[Path, Any], None]


GOOD = Surface(np.random.default_rng(0).normal(size=(8, 9)) * 1e-6, 1e-3, 1e-3)
CSV = b"# unit: um\n# spacing: 1 mm\n" + b"\n".join(
    b",".join(b"%d" % (i * j % 7) for i in range(9)) for j in range(8)
)
LOG = """
[[spells]]
date = 2026-03-02
note = "first"
[spells.done]
top = "A"
bottom = "B"
grit = "15 um"
time = "10 min"
[[spells.readings]]
gauge = "twist gauge"
plate = "A"
value = "0.35 um"
angle = "45 deg"
[spells.lost]
A = "0.12 g"
"""


def _npy() -> bytes:
    store = io.BytesIO()
    np.save(store, GOOD.heights)
    return store.getvalue()


def _trees(place: Path, whole: bool) -> dict[str, Callable[[], Any]]:
    half(place)
    got, resume = read_resume(place / "base.h5")
    if whole:
        from dataclasses import replace

        got, resume = replace(got, outcome="done"), None
    return {"base": lambda: tree_of(got, FORMAT, SCHEMA, resume)}


KINDS = {
    "study": Kind(lambda place: {"short": lambda: PAIR, "long": lambda: FEWER}, of_text, study),
    "map": Kind(
        lambda place: {
            "csv": lambda: CSV, "npy": _npy, "sdf": lambda: to_sdf(GOOD),
            "ascii": lambda: to_sdf(GOOD, form="ascii"),
        }, of_bytes, table,
    ),
    "x3p": Kind(lambda place: {"x3p": lambda: to_x3p(GOOD)}, of_archive, table),
    "log": Kind(lambda place: {"log": lambda: LOG}, of_text, log),
    "run": Kind(lambda place: _trees(place, True), of_tree, run),
    "checkpoint": Kind(lambda place: _trees(place, False), of_tree, checkpoint),
}  # fmt: skip


# --- which lines were reached --------------------------------------------------------------------


@dataclass
class Reached:
    """Lines of the program that any input has reached; code in which nothing new comes is only sampled."""

    seen: set[tuple[CodeType, int]] = field(default_factory=set)
    dull: dict[CodeType, int] = field(default_factory=dict)
    new: bool = False
    dice: random.Random = field(default_factory=lambda: random.Random(1))

    def call(self, frame: FrameType, event: str, given: Any) -> Any:
        """Look at a function that begins."""
        code = frame.f_code
        if not code.co_filename.startswith(HOME):
            return None
        times = self.dull.get(code, 0)
        if times > ONCE and self.dice.random() > 0.05:
            return None
        self.dull[code] = times + 1
        return self.line

    def line(self, frame: FrameType, event: str, given: Any) -> Any:
        """Note a line."""
        if event == "line":
            key = (frame.f_code, frame.f_lineno)
            if key not in self.seen:
                self.seen.add(key)
                self.dull[frame.f_code] = 0
                self.new = True
        return self.line


class SlowError(BaseException):
    """One input took too long."""


def tried(kind: Kind, bases: dict[str, Any], genome: Genome, place: Path) -> str | None:
    """What is wrong with how an input was taken; None where nothing is."""

    slow = f"took over {LONGEST:g} s"
    was_late = False

    def late(*given: object) -> None:
        nonlocal was_late
        was_late = True
        raise SlowError

    for sign in (signal.SIGPROF, signal.SIGALRM):
        signal.signal(sign, late)
    try:
        value = bases[genome[0]]()
        for seed in genome[1]:
            value = kind.change(random.Random(seed), value)
        signal.setitimer(signal.ITIMER_PROF, LONGEST)  # of this process's own work
        signal.setitimer(signal.ITIMER_REAL, 20.0 * LONGEST)  # it waits for what never comes
        kind.look(place, value)
    except SlowError:
        return slow
    except Exception as trouble:
        return slow if was_late else f"{type(trouble).__name__}: {trouble}"[:500]
    finally:
        for timer in (signal.ITIMER_PROF, signal.ITIMER_REAL):
            signal.setitimer(timer, 0.0)
    return slow if was_late else None


def fuzz(name: str, number: int, seed: int, corpus: list[Genome]) -> dict[str, Any]:
    """Try the corpus, and then so many inputs made from it; what was found, and what reached new lines."""
    warnings.simplefilter("error")
    dice, kind, reached = random.Random(f"{name} {seed}"), KINDS[name], Reached()
    found: list[Any] = []
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        bases = kind.bases(place)
        old = corpus or [(base, ()) for base in bases]
        kept: list[Genome] = [(base, ()) for base in bases]
        warm()  # whatever is loaded or compiled late is there from now on
        for one in kept:
            tried(kind, bases, one, place)
        with open("/proc/self/statm") as file:
            used = int(file.read().split()[0]) * resource.getpagesize()
        resource.setrlimit(resource.RLIMIT_AS, (used + MOST, resource.RLIM_INFINITY))
        for k in range(len(old) + number):
            if k < len(old):
                genome = (old[k][0], tuple(old[k][1]))
            else:
                base, seeds = dice.choice(kept)
                genome = (
                    base,
                    (*seeds, *(dice.randrange(2**32) for _ in range(dice.choice([1, 1, 2, 4])))),
                )
            reached.new = False
            sys.settrace(reached.call if k < len(old) or k % LOOKED_AT == 0 else None)
            try:
                wrong = tried(kind, bases, genome, place)
            finally:
                sys.settrace(None)
            if wrong is not None and len(found) < 50:
                found.append([genome, wrong])
            if reached.new and len(genome[1]) <= 24:
                kept.append(genome)
    return {"found": found, "kept": [one for one in kept if one[1]], "lines": len(reached.seen)}


if __name__ == "__main__":
    # A line asks for the inputs of a kind.  They are tried in a copy of this process, which has loaded all.
    warm()
    for line in sys.stdin:
        asked = json.loads(line)
        copy = os.fork()
        if copy == 0:
            ended = 1
            try:
                if asked["hasty"]:
                    # What is in a file is as well looked at.
                    hurry.glance(hurry.GLANCE)
                known = [(base, tuple(seeds)) for base, seeds in asked["corpus"]]
                print(
                    json.dumps(fuzz(asked["kind"], asked["number"], asked["seed"], known)),
                    flush=True,
                )
                ended = 0
            except BaseException:
                traceback.print_exc()
            finally:
                os._exit(ended)
        code = os.waitstatus_to_exitcode(os.waitpid(copy, 0)[1])
        if code:
            print(json.dumps({"ended": code}), flush=True)

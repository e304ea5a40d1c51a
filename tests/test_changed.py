"""Inputs that are swapped or edited between stop and --resume, and bits that flip in what is kept.

What comes of it is the answer of an unbroken work on what is there now, to the bit, or one line.  The promise
is our own (docs/nothing-lost.md); there is no outside source for it.
"""

from __future__ import annotations

import random
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from test_nothing_lost import GOAL, WAYS, Bench, begun, held, plain

FEW = 6  # changes of a kind in what always runs
READ = """
[gauges.level]
kind = "level"
base = "40 mm"
[[readings]]
gauge = "level"
plate = "A"
table = "monday.csv"
"""
TEXT = (
    (GOAL.replace("[goal]", WAYS + "[goal]") + READ)
    .replace('form = { dome = "3 um" }', 'form = { map = { file = "A.csv", unit = "um" } }')
    .replace('time = "20 min"', 'time = "4 min"')
    .replace("6 min", "1 min")
    .replace("9 min", "2 min")
    .replace("12 min", "3 min")
)

TABLE = "um/m, -20 mm, 20 mm\n0 deg, {0}, -3.9\n90 deg, 3.2, -3.0\n"
WORLDS = 4  # of inputs, numbered by what is in map (lowest bit) and table
COMMANDS = {
    "run": (("run", "s.toml", "--no-page", "--checkpoint", "0"), "s-run"),
    "compare": (("compare", "s.toml", "--no-page", "--samples", "2"), "s-compare"),
    "tune": (("tune", "s.toml", "--no-page", "--samples", "2"), "s-tune"),
}


@pytest.fixture(scope="module")
def played(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    yield from begun(tmp_path_factory, "ahead")


def settled(place: Path, world: int) -> None:
    """Put the inputs of a world into a folder."""
    (place / "s.toml").write_text(TEXT)
    heights = [((3 * k) % 7) * 0.3 for k in range(64)]
    if world & 1:
        heights[27] += 0.4
    rows = [", ".join(f"{z:.3f}" for z in heights[8 * k : 8 * k + 8]) for k in range(8)]
    (place / "A.csv").write_text("# spacing: 20 mm\n" + "\n".join(rows) + "\n")
    (place / "monday.csv").write_text(TABLE.format(4.1 + 0.2 * (world >> 1)))


class Worlds:
    """Works that were done, and works that were stopped, in each world; made when first asked for."""

    def __init__(self, played: Bench, command: str) -> None:
        self.played, self.command = played, command
        self.words, self.out = COMMANDS[command]
        self.made: dict[Any, Any] = {}

    def place(self, *name: object) -> Path:
        return self.played.place / " ".join(map(str, (self.command, *name)))

    def begin(self, world: int, of: Path | None = None) -> Path:
        """The one folder in which all is played, for studies of members name files by where they lie."""
        place = self.place("here")
        shutil.rmtree(place, ignore_errors=True)
        if of is None:
            place.mkdir()
        else:
            shutil.copytree(of, place)
        settled(place, world)
        return place

    def whole(self, world: int) -> Path:
        """A folder in which it was done undisturbed."""
        kept = self.place("whole", world)
        if not kept.exists():
            place = self.begin(world)
            done = self.played.do(place, self.words)
            assert done["code"] in (0, 1), done
            assert "lapwright: " not in done["told"], done
            self.made[world] = held(place / self.out), done["count"], done["code"]
            shutil.copytree(place, kept)
        return kept

    def answer(self, world: int) -> tuple[dict[str, Any], int, int]:
        """What it comes to, in how many operations on the disk, and the exit code."""
        self.whole(world)
        found: tuple[dict[str, Any], int, int] = self.made[world]
        return found

    def stopped(self, world: int, number: int) -> Path:
        """A folder in which it was killed at one of several places."""
        kept = self.place("stopped", world, number)
        if not kept.exists():
            count = self.answer(world)[1]
            at = random.Random(f"{world} {number}").randrange(count // 3, count)
            place = self.begin(world)
            assert self.played.do(place, self.words, "kill", at)["code"] != 0
            shutil.copytree(place, kept)
        return kept

    def tried(self, place: Path, world: int, where: object) -> bool:
        """Go on in a folder; whether it was refused.  What it says otherwise is true."""
        done = self.played.do(place, (*self.words, "--resume"))
        wanted, _, code = self.answer(world)
        refused = any(line.startswith("lapwright: ") for line in done["told"].splitlines())
        if refused:
            assert done["code"] in (1, 2), (where, done)
            plain(done, where)
            return True
        assert done["code"] == code, (where, done)
        now = held(place / self.out)
        assert [key for key in wanted if now.get(key) != wanted[key]] == [], (where, done)
        return False


def worlds_of(played: Bench, command: str) -> Worlds:
    """Those of a command, the same for all tests of this file."""
    found: Worlds = played.known.setdefault(f"worlds of {command}", Worlds(played, command))
    return found


def many(request: pytest.FixtureRequest) -> int:
    return int(request.config.getoption("--changes")) if request.param == "many" else FEW


@pytest.fixture(params=["few", "many"])
def number(request: pytest.FixtureRequest) -> int:
    return many(request)


@pytest.mark.campaign
@pytest.mark.often("few-run")
@pytest.mark.parametrize("command", COMMANDS)
def test_what_is_swapped_or_edited_between_is_refused_or_done_anew(
    played: Bench, command: str, number: int
) -> None:
    worlds, refused = worlds_of(played, command), 0
    for k in range(number):
        dice = random.Random(f"{command} {k}")
        began, now, other = (dice.randrange(WORLDS) for _ in range(3))
        begin = worlds.stopped(began, dice.randrange(5))
        if dice.random() < 0.2:
            begin = worlds.whole(began)
        # Files of what was kept, out of another work of this command.
        source = dice.choice([worlds.whole(other), worlds.stopped(other, dice.randrange(5))])
        end = worlds.begin(now, begin)
        theirs = [p.relative_to(source) for p in (source / worlds.out).rglob("*") if p.is_file()]
        some = dice.sample(theirs, dice.choice([0, 0, 1, 1, 2, len(theirs)]) if theirs else 0)
        for name in some:
            (end / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy(source / name, end / name)
        if dice.random() < 0.1:  # two of one work change places
            mine = [p for p in (end / worlds.out).rglob("*") if p.suffix in (".h5", ".toml")]
            if len(mine) > 1:
                one, two = dice.sample(mine, 2)
                held_back = one.read_bytes()
                shutil.copy(two, one)
                two.write_bytes(held_back)
        refused += worlds.tried(end, now, (command, k, began, now, [str(n) for n in some]))
    assert 0 < refused < max(number, 20)


@pytest.mark.campaign
@pytest.mark.often("few-run")
@pytest.mark.parametrize("command", COMMANDS)
def test_a_bit_that_flips_in_what_is_kept_is_refused_or_mended(
    played: Bench, command: str, number: int
) -> None:
    worlds = worlds_of(played, command)
    for k in range(number):
        dice = random.Random(f"flip {command} {k}")
        begin = worlds.whole(0) if dice.random() < 0.5 else worlds.stopped(0, dice.randrange(5))
        end = worlds.begin(0, begin)
        kept = [path for path in (end / worlds.out).rglob("*") if path.is_file()]
        path = dice.choice([one for one in kept if one.stat().st_size])
        spoilt = bytearray(path.read_bytes())
        bit = dice.randrange(8 * len(spoilt))
        spoilt[bit // 8] ^= 1 << bit % 8
        path.write_bytes(spoilt)
        worlds.tried(end, 0, (command, k, path.name, bit))

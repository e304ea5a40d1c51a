"""What is said reaches a person as it is meant: closed and full streams, other alphabets, signs that steer.

There is no outside source, but for what JSON is (RFC 8259, section 8.1: UTF-8) and which signs turn round the
direction of text (Unicode Standard Annex 9, section 2).
"""

from __future__ import annotations

import csv
import io
import json
import os
import subprocess
import sys
import unicodedata
from pathlib import Path

import pytest
from comparing import PAIR, compare
from started import SURROUNDINGS, program

from lapwright.commands.main import main
from lapwright.commands.terminal import print_json
from lapwright.presentation.comparison_data import csv_text

pytestmark = pytest.mark.usefixtures("unsearched")

# Annex 9, section 2: embeddings, overrides, isolates, marks; and what steers a terminal, as `ESC [`, `CSI`.
SIGNS = (
    "\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069\u200e\u200f\u061c\x1b\x9b\x07\x08\x7f"
)
TITLED = PAIR.replace('"Pair"', json.dumps("over" + SIGNS + "turned")).replace("\x7f", "\\u007f")


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    Path("pair.toml").write_text(PAIR)
    Path("titled.toml").write_text(TITLED, "utf-8")
    return tmp_path


def steering(text: str) -> set[str]:
    """Signs in a text that are neither letters nor the end of a line."""
    return {
        sign for sign in text if unicodedata.category(sign) in ("Cc", "Cf") and sign not in "\n\t"
    }


@pytest.mark.always("preview", "bearing")
@pytest.mark.parametrize("command", ["preview", "why", "bearing"])
def test_signs_in_a_title_never_reach_a_terminal(
    bench: Path, capsys: pytest.CaptureFixture[str], command: str
) -> None:
    for words in (
        [command, "titled.toml"],
        [command, "titled.toml", "--json"],
        ["run", "no\x1b[31m\u202e.toml"],
    ):
        main(words)
        out, err = capsys.readouterr()
        assert steering(out) | steering(err) == set()
        if "--json" in words:
            json.loads(out)


def test_json_gives_the_signs_back(capsys: pytest.CaptureFixture[str]) -> None:
    told = {"name": SIGNS + "\udcff", "Ω": [SIGNS]}
    print_json(told)
    out = capsys.readouterr().out
    assert steering(out) == set()
    assert json.loads(out) == told
    out.encode("utf-8")


@pytest.mark.campaign
@pytest.mark.parametrize(
    "encoding",
    [
        "ascii",
        *(
            pytest.param(name, marks=pytest.mark.campaign)
            for name in ("latin-1", "cp1252", "utf-8", "utf-8:strict")
        ),
    ],
)
def test_json_tells_plates_apart_in_any_encoding(bench: Path, encoding: str) -> None:
    text = PAIR.replace("plates.A", 'plates."Ä"').replace("plates.B", 'plates."Ω"')
    Path("other.toml").write_text(text.replace('"A"', '"Ä"').replace('"B"', '"Ω"'), "utf-8")
    done = subprocess.run(
        program("run", "other.toml", "--no-page", "--json"), capture_output=True, check=False,
        env={**SURROUNDINGS, "PYTHONIOENCODING": encoding, "PYTHONUTF8": "0"},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert set(json.loads(done.stdout.decode("utf-8"))["plates"]) == {"Ä", "Ω"}


def shell(line: str) -> tuple[int, str]:
    """A line of a shell in which $P is the program: exit code, and what came out on either stream."""
    done = subprocess.run(
        ["/bin/sh", "-c", line], capture_output=True, text=True, check=False,
        env={**SURROUNDINGS, "P": f"{sys.executable} -m lapwright"},
    )  # fmt: skip
    return done.returncode, done.stdout + done.stderr


@pytest.mark.always(1, 3, 6)
@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="no /dev/full on this system")
@pytest.mark.parametrize(
    ("line", "code", "told"),
    [
        (
            "$P preview pair.toml > /dev/full",
            1,
            "the answer cannot be written where it should go: the disk is full",
        ),
        (
            "$P bearing none.toml --json > /dev/full",
            1,
            "the answer cannot be written where it should go",
        ),
        ("$P preview pair.toml 2> /dev/full", 0, "Lap the plates"),
        ("$P preview none.toml 2> /dev/full", 2, ""),
        ("$P preview pair.toml --json 2> /dev/full", 0, '"assumed"'),
        ("$P preview pair.toml >&-", 0, ""),
        ("$P preview none.toml 2>&-", 2, ""),
        ("$P preview pair.toml <&- >&- 2>&-", 0, ""),
    ],
)
def test_closed_and_full_streams(bench: Path, line: str, code: int, told: str) -> None:
    got, said = shell(line)
    assert got == code, said
    assert told in said
    assert "Traceback" not in said
    assert "a fault of the program" not in said


@pytest.mark.campaign
def test_a_run_with_every_stream_closed_is_whole(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert shell("$P run pair.toml --no-page <&- >&- 2>&-") == (0, "")
    assert main(["report", "pair-run", "--card"]) == 0


@pytest.mark.campaign
def test_a_word_of_blanks_and_a_file_like_an_option_are_told_of(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["preview", "pair.toml", "  "]) == 2
    assert "takes one FILE at a time" in capsys.readouterr().err
    assert main(["run", "pair.toml", "--out", "  "]) == 2
    assert "a word is empty" in capsys.readouterr().err
    assert not Path("  ").exists()
    os.rename("titled.toml", "-dash.toml")
    os.remove("pair.toml")
    assert main(["preview", "-dash.toml"]) == 2
    assert "write lapwright preview ./-dash.toml" in capsys.readouterr().err
    assert main(["-dash.toml"]) == 2
    assert "write lapwright preview ./-dash.toml" in capsys.readouterr().err
    assert main(["preview", "./-dash.toml"]) == 0
    assert main(["run", "./-dash.toml", "--no-page"]) == 0
    assert "lapwright report ./-dash-run" in capsys.readouterr().out


def test_no_cell_of_the_table_is_a_formula() -> None:
    names = ["=cmd|' /C calc'!A0", "+1+1", "-2+3+cmd|' /C calc'!A0", "@SUM(A1)", "-5 mm aside"]
    ways = "".join(
        f'\n[[variants]]\nname = "{name}"\nset = {{ load = "20 N" }}\n' for name in names
    )
    text = PAIR.replace("10 min", "1 min") + ways
    for row in csv.reader(io.StringIO(csv_text(compare(text)))):
        for cell in row:
            harmless = cell[:1] not in tuple("=+-@\t\r") or cell == "-5 mm aside"
            assert harmless or float(cell) == float(cell), cell
        assert row[1] == "name" or row[1].removeprefix("'") in names


@pytest.mark.skipif(sys.platform != "linux", reason="names of files are bytes on Linux only")
def test_a_study_whose_name_is_no_utf_8(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    name = os.fsdecode(b"caf\xe9.toml")
    os.rename("pair.toml", name)
    assert main(["run", name, "--no-page", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["study"] == "caf\ufffd"
    assert Path("caf\ufffd-run/run.h5").exists()


@pytest.mark.skipif(sys.platform != "linux", reason="names of files are bytes on Linux only")
@pytest.mark.parametrize("command", ["compare", "tune"])
def test_a_folder_whose_name_is_no_utf_8(
    bench: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, command: str
) -> None:
    """Studies of members name a map by where it lies; no study can hold that name."""
    place = Path(os.fsdecode(b"d\xe9"))
    place.mkdir()
    monkeypatch.chdir(place)
    more = '\n[[variants]]\nname = "a"\nset = { load = "10 N" }\n[goal]\nflatness = "1 um"\n'
    more += '[tune.free]\n"steps.1.load" = ["10 N", "20 N"]\n'
    Path("s.toml").write_text(PAIR.replace('dome = "3 um"', 'map = "a.csv"') + more)
    row = ",".join("0" * 9)
    Path("a.csv").write_text("# unit: um\n# spacing: 18 mm\n" + f"{row}\n" * 9)
    assert main([command, "s.toml", "--no-page"]) == 2
    told = capsys.readouterr()
    assert "a name that no study can hold" in told.err
    assert told.err.count("\n") == 1


@pytest.mark.campaign
@pytest.mark.parametrize("command", ["preview", "why"])
def test_exported_numbers_of_threads_change_no_bit(bench: Path, command: str) -> None:
    """A linear-algebra library splits its sums over threads, and its last bits with them."""
    told = set()
    for number in ("1", "2"):
        names = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS")
        done = subprocess.run(
            program(command, "pair.toml", "--json"), capture_output=True, check=False,
            env={**SURROUNDINGS, **dict.fromkeys(names, number)},
        )  # fmt: skip
        assert done.returncode == 0, done.stderr
        told.add(done.stdout)
    assert len(told) == 1

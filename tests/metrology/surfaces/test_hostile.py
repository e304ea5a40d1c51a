"""Files that no instrument writes are refused in one line, in few calls and 200 MB; damaged ones too."""

import json
import random
import subprocess
import sys
from pathlib import Path

import hostile_maps
import numpy as np
import pytest
from started import PATIENCE

from lapwright.errors import SurfaceFileError
from lapwright.metrology.sdf import to_sdf
from lapwright.metrology.surface import Surface
from lapwright.metrology.surface_files import Head, read_surface, to_csv, to_npy, write_surface
from lapwright.metrology.x3p import to_x3p

if sys.platform != "linux":
    pytest.skip("memory is measured as Linux tells it", allow_module_level=True)


MOST_CALLS = (
    4_000_000  # of functions; a file of a million elements takes 2.7 million, the next 75 thousand
)


@pytest.fixture(scope="module")
def answers(tmp_path_factory):
    """What came of each file, read in a process of its own with limits on it."""
    folder = tmp_path_factory.mktemp("hostile")
    names = hostile_maps.write_all(folder)
    done = subprocess.run(
        [sys.executable, hostile_maps.__file__, str(folder)],
        input=json.dumps(names),
        capture_output=True,
        text=True,
        cwd=folder,
        timeout=PATIENCE,
        check=False,
    )
    assert done.returncode == 0, done.stderr[-2000:]
    got = {name: rest for name, *rest in map(json.loads, done.stdout.splitlines())}
    assert list(got) == names
    assert not (folder / "opened").exists()  # nothing in any file was carried out
    assert {path.name for path in folder.iterdir()} <= set(names)  # nor unpacked
    return got


@pytest.mark.campaign
def test_each_is_refused_in_one_line(answers):
    assert len(answers) > 130
    for name, (came, _, _) in answers.items():
        assert came != "read", name
        assert came.startswith(f"'{name.replace(chr(0), ' ')}' "), name
        assert came.isprintable(), name
        assert 15 < len(came) < 300, name


@pytest.mark.campaign
def test_each_is_refused_quickly_and_in_little_memory(answers):
    """Quickly: in few calls; each with a limit on what it may read at once (seconds: benchmarks)."""
    slow = {name: calls for name, (_, calls, _) in answers.items() if calls >= MOST_CALLS}
    large = {name: most for name, (_, _, most) in answers.items() if most >= 200.0}
    assert slow == {}
    assert large == {}


@pytest.mark.campaign
@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("bomb-that-lies.x3p", "cannot be unpacked whole"),
        ("bomb-that-fits.x3p", "is the most"),
        ("many-entries.x3p", "very many files"),
        ("wrong-sum-of-points.x3p", "check sum"),
        ("wrong-sum-of-main.x3p", "check sum"),
        ("laughs-used.x3p", "document type or entities"),
        ("document-type-in-utf16.x3p", "document type or entities"),
        ("outside-entity.x3p", "document type or entities"),
        ("up-in-the-zip.x3p", "outside itself"),
        ("absurd-sizes.x3p", "is the most"),
        ("counts.sdf", "is the most"),
        ("short.sdf", "is short"),
        ("text-short.sdf", "holds 71 heights where its header says 72"),
        ("older.sdf", "ISO-1.0 and ISO-2.0 are read"),
        ("spacing-nan.sdf", "between 1 nm and 1 m"),
        ("pickle.npy", "never opened"),
        ("huge-shape.npy", "is the most"),
        ("short.npy", "has 500 bytes of heights where its header says 576"),
        ("decimal-commas.csv", "decimal commas"),
        ("words.csv", "no columns of x, y, z"),
        ("no-unit.csv", "# unit: um"),
        ("a-word-at-the-end.csv", "in row 1200 of its heights, column 1200"),
        ("ragged.csv", "2 in row 6"),
        ("pipe.x3p", "not a file"),
        ("device.x3p", "not a file"),
        ("a-terabyte.x3p", "48 MB is the most"),
    ],
)
def test_the_line_says_what_is_wrong(answers, name, words):
    assert words in answers[name][0]


def seeds():
    """Good files to damage."""
    z = np.random.default_rng(1).normal(size=(6, 7)) * 1e-6
    z[2, 2] = np.nan
    one = Surface(z, 1e-3, 1e-3)
    return [
        ("A.x3p", to_x3p(one)),
        ("B.x3p", to_x3p(one, data_type="I")),
        ("A.sdf", to_sdf(one)),
        ("B.sdf", to_sdf(one, data_type=5)),
        ("C.sdf", to_sdf(one, form="ascii")),
        ("A.csv", to_csv(one)),
        ("A.npy", to_npy(one)),
    ]


def damaged(data, rng):
    """A file with bytes changed, cut out, doubled or put in, now and then many."""
    out = bytearray(data)
    for _ in range(rng.choice((1, 1, 2, 5, 30))):
        if not out:
            break
        at, kind = rng.randrange(len(out)), rng.randrange(5)
        if kind == 0:
            out[at] = rng.randrange(256)
        elif kind == 1:
            del out[at : at + rng.randrange(1, 40)]
        elif kind == 2:
            out[at:at] = out[at : at + rng.randrange(1, 40)]
        elif kind == 3:
            out[at:at] = rng.choice(
                (b"\0", b"\xff" * 8, b"nan", b"-1e999", b"9" * 20, b"<", b"&x;", b"*\r\n", b",,")
            )
        else:
            out = out[:at] if rng.random() < 0.3 else out[at:] if rng.random() < 0.1 else out
    return bytes(out)


def test_five_hundred_damaged_files(tmp_path):
    rng, head, read, lines = random.Random(4), Head(spacing=(1e-3, 1e-3)), 0, []
    good = seeds()
    for k in range(560):
        name, data = good[k % len(good)]
        path = Path(tmp_path / f"{k}{name}")
        path.write_bytes(damaged(data, rng))
        try:
            got = read_surface(path, head if name.endswith(".npy") else Head())
        except SurfaceFileError as trouble:
            lines.append(trouble.message)
        else:
            # a changed number is still a number
            read += 1
            assert np.isfinite(got.heights).any()
            assert 1e-9 <= got.dx <= 1.0
    assert all(line.isprintable() and len(line) < 400 for line in lines)
    assert 20 < read < 400  # some harm is harmless, most is not


@pytest.mark.parametrize("ending", ["x3p", "sdf"])
def test_a_file_that_says_its_spacing_is_not_told_another(tmp_path, ending):
    write_surface(tmp_path / f"A.{ending}", np.arange(5.0), np.arange(5.0) * 0.5, np.zeros((5, 5)))
    with pytest.raises(SurfaceFileError, match="says its own spacing"):
        read_surface(tmp_path / f"A.{ending}", Head(spacing=(1e-3, 1e-3)))


def test_what_cannot_be_written(tmp_path):
    even, z = np.arange(5.0) * 1e-3, np.zeros((5, 5))
    with pytest.raises(SurfaceFileError, match="write a height map as x3p, sdf, csv or npy"):
        write_surface(tmp_path / "A.png", even, even, z)
    with pytest.raises(SurfaceFileError, match="evenly spaced"):
        write_surface(tmp_path / "A.x3p", even**2, even, z)
    with pytest.raises(SurfaceFileError, match="do not fit"):
        write_surface(tmp_path / "A.x3p", even, even[:4], z)
    assert list(tmp_path.iterdir()) == []

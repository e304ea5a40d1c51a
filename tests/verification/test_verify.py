"""The rows themselves: all pass, and none can pass by accident (how long they take: benchmarks)."""

from pathlib import Path

import numpy as np
import pytest

import lapwright.verification.proof
from lapwright.verification.proof import page, verify
from lapwright.verification.scenes import Row, absolute, relative


@pytest.fixture(scope="module")
def outcome():
    return verify()


@pytest.mark.campaign
def test_every_row_passes(outcome):
    failed = [row for row in outcome if not row.ok]
    assert not failed, "\n".join(map(str, failed))


@pytest.mark.campaign
def test_rows_are_named_apart_and_name_their_source(outcome):
    names = [row.name for row in outcome]
    assert len(set(names)) == len(names)
    assert all(
        row.source and np.isfinite([row.expected, row.got, row.tolerance]).all() for row in outcome
    )


@pytest.mark.campaign
def test_every_checked_subject_is_there(outcome):
    text = " ".join(row.name for row in outcome)
    for word in (
        "Volume",
        "spin",
        "covered",
        "First wear",
        "Moment law",
        "Ring",
        "Mismatch",
        "Disc",
        "Minimum",
        "leaves alone",
        "Three plates",
        "Sag",
        "Bow",
        "fits for ever",
    ):
        assert word in text


def test_rows_can_fail():
    assert absolute("a", "b", 1.0, 1.1, 0.2).ok
    assert not absolute("a", "b", 1.0, 1.3, 0.2).ok
    assert not absolute("a", "b", 1.0, float("nan"), 0.2).ok
    assert not relative("a", "b", -2.0, -2.1, 0.01).ok
    assert relative("a", "b", -2.0, -2.01, 0.01).ok


def test_page_shows_failures():
    good, bad = absolute("good", "s", 1.0, 1.0, 0.1), absolute("bad | worse", "s", 1.0, 2.0, 0.1)
    text = page([good, bad])
    assert "1 FAILED" in text
    assert "| bad \\| worse | s | 1 | 2 | 0.1 | **NO** |" in text
    assert "FAILED" not in page([good])


def test_main_ends_with_one_when_a_row_fails(monkeypatch, capsys):
    from lapwright.verification import __main__ as command

    bad = absolute("bad", "s", 1.0, 2.0, 0.1)
    monkeypatch.setattr(command, "verify", lambda: (bad,))
    assert command.main() == 1
    monkeypatch.setattr(command, "verify", lambda: (absolute("good", "s", 1.0, 1.0, 0.1),))
    assert command.main() == 0
    assert "good" in capsys.readouterr().out


def test_rows_come_one_by_one():
    first = next(iter(lapwright.verification.proof.rows()))
    assert isinstance(first, Row)


@pytest.mark.campaign
def test_validation_page_is_of_these_rows(outcome):
    """docs/validation.md is written, not typed: what and against what must be that of the rows."""
    kept = (Path(__file__).parents[2] / "docs" / "validation.md").read_text(encoding="utf-8")

    def left(text):
        lines = [line for line in text.replace("\\|", "¦").splitlines() if line.startswith("| ")]
        return [[cell.strip() for cell in line.split("|")[1:4]] for line in lines]

    assert left(kept) == left(page(outcome))

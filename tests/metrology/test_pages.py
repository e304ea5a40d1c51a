"""The tables of the pages are those that the program makes."""

import runpy
from pathlib import Path

import pytest

DOCS = Path(__file__).resolve().parents[2] / "docs"
MADE = runpy.run_path(str(DOCS / "make_gauge_tables.py"))


@pytest.mark.parametrize("page", MADE["TABLES"])
def test_tables_are_made(page):
    assert MADE["written"](page) == (DOCS / page).read_text("utf-8")


def test_what_the_pages_say_in_words():
    """Sentences under the tables hold in the tables too."""
    page = (DOCS / "gauges.md").read_text("utf-8")
    assert (
        "| spherometer, three feet | sees | **blind** | **blind** | once; turned on the spot; walked along;"
        in page
    )
    proofs = (DOCS / "flat-or-mated.md").read_text("utf-8")
    assert "| they mate at 0 and 90 degrees, slid, and read the same | nothing |" in proofs

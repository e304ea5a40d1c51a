"""Makes play-first-pair.html, the page to play with of configs/first-pair.toml.

python docs/make_play_page.py    # writes the page; its table takes some tens of seconds
"""

from __future__ import annotations

from pathlib import Path

from lapwright.machine import one_thread
from lapwright.presentation.play_page import Stroke, play_page, strokes_of
from lapwright.study.read import load

DOCS = Path(__file__).resolve().parent
CONFIG = DOCS.parent / "configs" / "first-pair.toml"
PAGE = DOCS / "play-first-pair.html"


def strokes() -> list[Stroke]:
    """The steps that are played."""
    return strokes_of(load(CONFIG))


if __name__ == "__main__":
    with one_thread():
        PAGE.write_text(play_page(strokes()), encoding="utf-8")

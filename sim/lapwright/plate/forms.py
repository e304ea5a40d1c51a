"""The errors of form that one speaks of: their names, the words for them, and which outlines have them."""

from __future__ import annotations

from typing import NamedTuple

from lapwright.plate.outline import Outline

__all__ = ["FORMS", "LONG", "ROUND", "SPOKEN", "form_names"]


class Form(NamedTuple):
    """A form: its `word` in a sentence and in a study file, its `title` in a table, what it measures.

    `sides`: what stands high where it is positive, and where it is negative.  `long`: rails alone have it,
    or all others alone, or (None) every face.
    """

    word: str
    title: str
    what: str
    sides: tuple[str, str] = ("", "")
    long: bool | None = None


FORMS = {
    "sphere": Form("dome", "dome or dish", "centre over rim (+ dome, - dish)", ("dome", "dish"), False),
    "saddle": Form(
        "saddle",
        "3 and 9 against 12 and 6",
        "3-9 rim over 12-6 rim",
        ("high at 3 and 9", "high at 12 and 6"),
        False,
    ),
    "twist": Form(
        "twist",
        "1:30 and 7:30 against 10:30 and 4:30",
        "1:30-7:30 rim over 10:30-4:30 rim",
        ("high at 1:30 and 7:30", "high at 10:30 and 4:30"),
        False,
    ),
    "bow": Form(
        "bow",
        "bow, along",
        "middle over the ends, along the longer side",
        ("high in the middle", "hollow along"),
        True,
    ),
    "crown": Form(
        "crown",
        "crown, across",
        "middle over the long edges, across",
        ("high in the middle", "hollow across"),
        True,
    ),
    "wind": Form(
        "wind",
        "wind, corner against corner",
        "one pair of corners over the other",
        ("high at the 1:30 and 7:30 corners", "high at the 10:30 and 4:30 corners"),
        True,
    ),
    "flatness": Form("flatness", "flatness", "width of the minimum zone"),
    "flatness_ls": Form("flatness_ls", "flatness_ls", "peak to valley about the least-squares plane"),
    "rms": Form("rms", "rms", "root mean square about the least-squares plane"),
    "edge": Form("edge", "edge", "fall of the outermost 3 mm (+ fallen)", ("fallen", "proud")),
}
ROUND, LONG = (tuple(key for key, form in FORMS.items() if form.long is long) for long in (False, True))
SPOKEN = (*ROUND, *LONG)


def form_names(outline: Outline) -> tuple[str, ...]:
    """Which three form errors one speaks of on this outline."""
    return LONG if outline.long else ROUND

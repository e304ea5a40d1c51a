"""Make docs/sentences.md, every sentence that the program prints, from its file of templates.

Run it from anywhere: python docs/make_sentences.py
"""

from __future__ import annotations

import re
from math import radians
from pathlib import Path

from lapwright.presentation.words import sentences
from lapwright.units import METRIC

PAGE = Path(__file__).resolve().parent / "sentences.md"
HEAD = """# Every sentence it prints

Made by `docs/make_sentences.py` from `sim/lapwright/presentation/templates/sentences.toml`, never edited by
hand: for reading what a machinist reads, all of it at one go. Quantities stand filled in with a size of their
kind; what the numbers decide stands as (one / other), where it may be left out as (one / -). In *slanting
type* stands what is put in as it is: a plate, a grit, another sentence.
"""
# One of each kind, in SI, about what a bench has; of kinds that are not here the number is a half.
OF_A_KIND = {
    "size": 0.4e-6,
    "both": 0.4e-6,
    "limit": 0.3e-6,
    "grain": 15e-6,
    "length": 0.03,
    "thickness": 0.012,
    "mass": 4.3,
    "force": 60.0,
    "pressure": 3e3,
    "time": 1200.0,
    "spell": 300.0,
    "angle": radians(30.0),
    "number": 3.0,
    "share": 0.25,
    "temperature": 293.15,
    "warmer": 0.5,
}


class Sample:
    """A part of a sentence, said as one of its kind would be."""

    def __init__(self, name: str) -> None:
        self.name = name

    def __format__(self, how: str) -> str:
        if "|" in how:
            one, other = (part.strip() or "-" for part in how.split("|", 1))
            return f" ({other} / {one}) " if other != "-" else f" ({one} / -) "
        if not how:
            return f"*{self.name.replace('_', ' ')}*"
        kind, *more = how.split()
        figures = [int(word) for word in more if word != "echo"]
        try:
            return str(getattr(METRIC, kind)(OF_A_KIND.get(kind, 0.5), *figures))
        except (AttributeError, TypeError):
            return f"*{self.name.replace('_', ' ')}*"


class Samples(dict[str, Sample]):
    """One for every name that is asked for."""

    def __missing__(self, name: str) -> Sample:
        return Sample(name)


def read(form: str) -> str:
    """A sentence as it may be printed.

    Parameters
    ----------
    form : str
        As in the file of templates.

    Returns
    -------
    str

    """
    text = form.format_map(Samples())
    text = re.sub(r"\s+([,.;:)])", r"\1", re.sub(r"\s+", " ", text)).strip()
    return text.replace("|", "\\|").replace("<", "&lt;")


def page() -> str:
    """The whole page.

    Returns
    -------
    str

    """
    lines, chapter = [HEAD], ""
    for key, form in sentences().items():
        first, _, rest = key.partition(".")
        if first != chapter:
            chapter = first
            lines.append(f"\n## {chapter}\n\n| key | sentence |\n| --- | --- |")
        lines.append(f"| {rest} | {read(form)} |")
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    PAGE.write_text(page(), "utf-8")

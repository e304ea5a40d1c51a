"""What all pages share: the sheet with its head, first screen and parts, lists in it, and the cautions."""

from __future__ import annotations

from collections.abc import Iterable
from importlib.resources import files
from string import Template

from lapwright.limits import limit_of
from lapwright.report.typeset import escaped
from lapwright.units import sentence

__all__ = ["CAUTIONS", "bullets", "part", "sheet"]

CAUTIONS = (
    f"Lifting: {limit_of('too heavy'):g} kg is the most at the best posture (NIOSH lifting equation).",
    "Pinch and tip: from the lift-off overhang on the plate can rock. Slide plates apart, never pry.",
    "Sludge of cobalt-bonded carbide is a carcinogen hazard (NTP 12th report): work wet, wear gloves, no dry "
    "sanding, collect the waste.",
    "Solvents that carry the grit burn and their vapour harms: air, no flames, no hot work near by.",
    "Lasers used to see fringes: 1 mW is the limit of class 2 (IEC 60825-1). A 405 nm beam looks dim, so "
    "you do not look away: never view a raw beam.",
    "Local rules and licensed practice come first.",
)


def part(name: str, title: str, inside: str) -> str:
    """One part of a page below the first screen; nothing where there is nothing `inside`."""
    if not inside:
        return ""
    return f'<section class="part" id="{name}"><h2>{escaped(title)}</h2><div>{inside}</div></section>'


def bullets(lines: Iterable[str]) -> str:
    """Sentences as a list."""
    return "<ul>" + "".join(f"<li>{escaped(sentence(line))}</li>" for line in lines) + "</ul>"


def sheet(
    kind: str,
    *,
    title: str,
    study: str,
    facts: str,
    about: str,
    headline: str,
    first: str,
    parts: Iterable[str],
    foot: str,
    tail: str = "",
) -> str:
    """A whole page, one file that asks for nothing from elsewhere.

    Parameters
    ----------
    kind
        Of page, by which `page.css` tells them apart.
    title, study, facts, about, headline, foot
        Plain text: of the window, at the head, what the first screen is about, its sentence, at the foot.
    first, parts, tail
        Ready HTML: of the first screen below its sentence, the parts, and what stands behind the page.

    """
    room = files("lapwright.report")
    return Template((room / "sheet.html").read_text("utf-8")).substitute(
        kind=kind,
        title=escaped(title),
        style=(room / "page.css").read_text("utf-8"),
        study=escaped(study),
        facts=escaped(facts),
        about=escaped(about),
        headline=escaped(headline),
        first=first,
        body="\n".join(text for text in parts if text),
        foot=escaped(foot),
        tail=tail,
    )

"""Sentences on what a step leaves on both faces: the mark of the grit layer, what never goes, what hardly."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from lapwright.lapping.kept import Kept, kept
from lapwright.limits import limit_of
from lapwright.report import words
from lapwright.report.beforehand import REMARK, clock, fine
from lapwright.report.staying import TITLES
from lapwright.units import METRIC, NOTHING, Units, joined

if TYPE_CHECKING:
    from lapwright.lapping.outlook import Outlook
    from lapwright.lapping.step import Step
    from lapwright.modes.glance import Glance
    from lapwright.plate.plate import Plate

__all__ = ["leaves", "remark", "stays", "telling"]

Plates = Mapping[str, "Plate"]

WORTH = 0.3  # of the largest mark: smaller ones are left to the page of why


def leaves(
    step: Step, plates: Plates, look: Outlook, units: Units = METRIC, glance: Glance | None = None
) -> list[str]:
    """What stays on both faces: the mark of the layer, and what the stroke never takes out.

    `glance`: what the step leaves by the picture; only the squeeze is told without.
    """
    what = kept(step)
    if what.kind == "all":
        return ["nothing rubs, so everything stays as it is"]
    long = plates[step.top].outline.long or plates[step.bottom].outline.long
    mark = _squeeze(step, look, units) if glance is None else _mark(step, glance, units)
    said = [mark, stays(what, step, long)]
    if glance is not None and (slowly := _hardly(glance, units)):
        said.append(slowly)
    if look.overhang < -1e-4 and step.swap is None:
        rim = units.length(-look.overhang)
        said.append(
            f"the outermost {rim} of {step.bottom} is hardly rubbed or not at all: a step is left there"
        )
    return said


def _squeeze(step: Step, look: Outlook, units: Units) -> str:
    """How large the mark of the layer can be, where its shape is not known."""
    size = f"{units.size(look.squeeze)}{fine(look.squeeze, step, units)}"
    return f"a mark of the grit layer, up to about {size}"


def telling(
    faces: Mapping[str, Mapping[str, float]], always: tuple[str, ...] = ()
) -> dict[str, dict[str, float]]:
    """Of the forms [m] of each face those that are worth a word, the largest first; some always are."""
    largest = max((abs(v) for forms in faces.values() for v in forms.values()), default=0.0)
    least = max(WORTH * largest, NOTHING)
    return {
        name: dict(
            sorted(
                ((k, v) for k, v in forms.items() if abs(v) >= (NOTHING if k in always else least)),
                key=lambda part: -abs(part[1]),
            )
        )
        for name, forms in faces.items()
    }


def remark(faces: Mapping[str, Mapping[str, float]], step: Step, units: Units) -> str:
    """The remark on the finish, of all forms [m] that are told, or of those that it holds for."""
    sizes = [v for forms in faces.values() for v in forms.values()]
    finish = limit_of("finish") * step.grit.size
    rough = [units.finer(size, finish) for size in sizes]
    if not any(rough):
        return ""
    if all(rough):
        return REMARK
    return f" (the finish is rougher than what is below {units.size(finish)})"


def _hardly(glance: Glance, units: Units) -> str:
    """Pairs that do go, but so slowly that nobody waits for it; empty where there are none."""
    if not glance.lingering:
        return ""
    what = ", or ".join(TITLES[name] for name in glance.lingering)
    depth = units.size(min(glance.lingering.values()))
    return f"it hardly touches {what}: halved only after {depth} is off"


def _mark(step: Step, glance: Glance, units: Units) -> str:
    """The mark of the layer on each face by the end of the step; faces alike are told together."""
    told = telling(glance.mark)
    alike: dict[str, list[str]] = {}
    for name, forms in told.items():
        said = joined([_left(key, value, units) for key, value in forms.items()])
        alike.setdefault(said or "as good as none", []).append(name)
    if not any(told.values()):
        return "no mark of the grit layer to speak of by the end of this step"
    each = "; ".join(
        f"{'both' if len(names) == len(told) else joined(names)} {what}" for what, names in alike.items()
    )
    return (
        "the mark of the grit layer by the end of this step, which laying one on the other does not show: "
        f"{each}{remark(told, step, units)}"
    )


def _left(key: str, value: float, units: Units) -> str:
    if key == "sphere":
        return f"{'hollow' if value < 0.0 else 'domed'} by about {units.size(value)}"
    return words.part_words(key, value, units).replace(",", "").replace(" by ", " by about ")


def stays(what: Kept, step: Step, long: bool) -> str:
    """What this stroke never takes out, and why."""
    dome = "bow and crown in a hollow of the same curve" if long else "a dome in a dish"
    pairs = (
        "bow against hollow, crown against hollow, and the same wind in both"
        if long
        else "a dome in a dish, the same twist in both, and high at 3 and 9 on high at 12 and 6"
    )
    half = step.turn.angle != 0.0 or step.walk.angle != 0.0
    never = "turned only half round" if half else "never turned"
    if what.kind == "sphere":
        return f"it never takes out {dome}: that fits in every place, turned as you like"
    if what.kind == "curved":
        return f"it never takes out {pairs}: with the top {never} they fit in every place"
    if what.kind == "round":
        return f"it never takes out {dome} or rings about the middle: the top only ever turns round them"
    ridges = f"ridges along the stroke ({clock(what.direction)})"
    if what.kind == "even ridges":
        ridges += " that lie alike on both sides of the middle"
    return (
        f"it never takes out {ridges}: a straight stroke, the top {never}, only runs along them; "
        f"nor {pairs}, which fit in every place of it"
    )

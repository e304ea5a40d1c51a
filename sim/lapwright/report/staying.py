"""Sentences on what a stroke leaves alone: each error that stays, the reason, and what would take it out."""

from __future__ import annotations

from collections.abc import Sequence
from math import log

from lapwright.lapping.kept import Kept, kept
from lapwright.modes.evolution import SLOW
from lapwright.modes.named import OWN_NAMES, Named, quicker
from lapwright.modes.reason import Reason
from lapwright.modes.spectrum import NO_MARGIN
from lapwright.report.beforehand import clock
from lapwright.units import Units

__all__ = [
    "LITTLE",
    "goes_slowly",
    "hollows_the_top",
    "leaves_alone",
    "own_errors",
    "quick_and_slow",
    "same_outline",
    "stays_in_short",
    "stays_wholly",
    "title",
]

LITTLE = 0.02  # um of form for each um removed: less is nothing to speak of
FITS = 0.98  # share of an error that is left for ever, from which the two faces fit
STAYS = 0.5  # share of an error that is left for ever, from which it counts as staying

TITLES = {
    "domes": "both domed, or both hollow",
    "dome in dish": "a dome in a dish",
    "saddles": "both high at 3 and 9, or both at 12 and 6",
    "saddle in saddle": "high at 3 and 9 on high at 12 and 6",
    "twists": "the same twist in both",
    "opposite twists": "opposite twists",
    "bows": "both bowed the same way",
    "bow in bow": "a bow in a hollow of the same curve",
    "crowns": "both crowned the same way",
    "crown in crown": "a crown in a hollow of the same curve",
    "winds": "the same wind in both",
    "opposite winds": "opposite winds",
    "zone": "a ring standing proud",
    "three lobes": "three lobes",
    "ridges along": "ridges along the stroke",
    "ridges across": "ridges across the stroke",
    "own dome": "dome or dish",
    "own saddle": "height at 3 and 9 or at 12 and 6",
    "own twist": "twist",
    "own bow": "bow",
    "own crown": "crown",
    "own wind": "wind",
}

EVERYWHERE = "lie on each other at every point of this stroke"
TURNING = (
    'the top turned slowly takes it out (turn = "8 deg per stroke"), and so does a quarter turn of it every '
    'few strokes (turn = "90 deg every 10 strokes")'
)
WHY = {
    "dome in dish": "a dome in a dish stays: it fits at every point of this stroke, turned as you like",
    "twists": f"twist stays: two plates twisted the same way {EVERYWHERE}; {TURNING}",
    "saddle in saddle": f"high at 3 and 9 on high at 12 and 6 stays: they {EVERYWHERE}; turning "
    "takes it out too",
    "bow in bow": "a bow in a hollow of the same curve stays: it fits at every point of this stroke",
    "crown in crown": "a crown in a hollow of the same curve stays: it fits at every point of this stroke",
    "winds": f"the same wind in both stays: two such faces {EVERYWHERE}; a rail cannot be turned a quarter, "
    "so lap each against a third one, or on a round plate that turns",
}
# What becomes of those follows who lies on top: the form of a face that is one half of each.
PART_OF = {"dome in dish": "sphere", "bow in bow": "bow", "crown in crown": "crown"}
ORDER = ("dome in dish", "twists", "saddle in saddle", "bow in bow", "crown in crown", "winds")


def title(error: Named, reason: Reason) -> str:
    """What an error is called."""
    turns = reason.step.turn.angle != 0.0 or reason.step.walk.angle != 0.0
    turned = " (as first laid on)" if error.name in ("ridges along", "ridges across") and turns else ""
    what = TITLES[error.name]
    if error.face is None:
        return what
    whose = reason.names[error.face]
    own = error.name in OWN_NAMES
    return f"{whose}'s own {what}" if own else f"{what} on {whose}{turned}"


def quick_and_slow(reason: Reason) -> tuple[str, str] | None:
    """The plate that loses far more metal than the other, and that other; None where they lose alike."""
    which = quicker(reason.flow, reason.evolution)
    return None if which is None else (reason.names[which], reason.names[1 - which])


def own_errors(reason: Reason) -> list[Named]:
    """The own errors, with a name, of the plate that loses most metal, as far as they go and soon."""
    slow = goes_slowly(reason)
    return [e for e in reason.named if e.name in OWN_NAMES and e.stays < STAYS and e not in slow]


def same_outline(reason: Reason) -> bool:
    """True when the two faces may change places."""
    bottom, top = reason.faces
    return bottom.plate.outline == top.plate.outline


def stays_wholly(reason: Reason) -> list[Named]:
    """Pairs of faces with a name that fit at every place of the stroke."""
    found = {e.name: e for e in reason.named if e.stays > FITS and e.name in ORDER}
    return [found[name] for name in ORDER if name in found]


def goes_slowly(reason: Reason) -> list[Named]:
    """Errors with a name that do go, but so slowly that nobody waits for it."""
    fastest = float(abs(reason.evolution.rates).max(initial=0.0))
    if fastest == 0.0:
        return []
    longest = log(2.0) / (SLOW * fastest)
    return [e for e in reason.named if e.half_life is not None and e.half_life > longest]


def leaves_alone(reason: Reason, units: Units) -> list[str]:
    """What a stroke leaves alone, why, and what would take it out."""
    told = [_with_cure(error, reason) for error in stays_wholly(reason)]
    told += _profiles(reason, len(told))
    if reason.removal <= 0.0:
        return ["all that is on the faces: nothing rubs"]
    told += _slow(reason, units)
    if told and own_errors(reason) and (pair := quick_and_slow(reason)):
        quick, slow = pair
        stays = f"What stays is in {slow}, and then in both"
        told.insert(0, f"nothing that {quick} alone has: it soon fits {slow}. {stays}")
    return told or ["nothing: whatever is on the faces goes, or is carried by neither"]


def _with_cure(error: Named, reason: Reason) -> str:
    why = WHY[error.name]
    if error.name not in PART_OF:
        return why
    if not same_outline(reason):
        return f"{why}. What moves it is where on {reason.step.bottom} you rub, and how far over its rim"
    gained = _gained_on_top(PART_OF[error.name], reason)
    if abs(gained) < LITTLE:
        return f"{why}. This stroke does not move it to speak of, whoever lies on top; a longer one does"
    round_ones = error.name == "dome in dish"
    if gained < 0.0:
        which = "domed one" if round_ones else "one that is high in the middle"
    else:
        which = "hollow one" if round_ones else "one that is hollow in the middle"
    return f"{why}. Only who lies on top, and for how long, moves it: keep the {which} on top longer"


def hollows_the_top(reason: Reason) -> bool:
    """True where the top loses its dome, or bow, so that the more domed one belongs there."""
    long = reason.faces[1].plate.outline.long
    return _gained_on_top("bow" if long else "sphere", reason) <= -LITTLE


def _gained_on_top(form: str, reason: Reason) -> float:
    """What the top gains of a form, + high in the middle, for each depth removed, once bedded in."""
    if reason.removal <= 0.0:
        return 0.0
    forms = reason.forms(reason.bedded, NO_MARGIN)[reason.step.top]
    return forms[form] / reason.removal


def _profiles(reason: Reason, told: int) -> list[str]:
    """Profiles along a straight stroke, rings about a point, and finer shapes without a name."""
    what = kept(reason.step, as_laid=True)
    finer = reason.spectrum.survivors - told
    if finer <= 0:
        return []
    if what.kind in ("ridges", "even ridges"):
        turn = "" if reason.faces[0].plate.outline.long else "; turning takes them out too"
        return [f"{_ridges(what)} stay: each only runs along the other{turn}"]
    if what.kind == "round":
        cure = 'a stroke that travels, the top turned slowly, takes them out (turn = "8 deg per stroke")'
        return [f"rings about the point you turn about stay: the top only ever turns round them; {cure}"]
    one = finer == 1
    return [f"{'one finer shape fits' if one else f'{finer} finer shapes fit'} at every point of it as well"]


def _ridges(what: Kept) -> str:
    alike = " that lie alike on both sides of the middle" if what.kind == "even ridges" else ""
    return f"ridges along the stroke ({clock(what.direction)}){alike}"


def _slow(reason: Reason, units: Units) -> list[str]:
    slow = reason.spectrum.slow
    if not slow:
        return []
    named = goes_slowly(reason)
    if named:
        what = "; ".join(title(error, reason) for error in named)
        depth = min(error.half_life or 0.0 for error in named) * reason.removal
    else:
        what = "one finer shape" if len(slow) == 1 else f"{len(slow)} finer shapes"
        depth = min(mode.half_removed or 0.0 for mode in slow)
    return [f"hardly touched: {what}; halved only after {units.size(depth)} removed"]


def stays_in_short(reason: Reason) -> str:
    """What stays, as a list."""
    told = [title(error, reason) for error in stays_wholly(reason)]
    what = kept(reason.step, as_laid=True)
    if reason.spectrum.survivors > len(told):
        told += _short_profiles(what)
    return "; ".join(told) or "nothing"


def _short_profiles(what: Kept) -> Sequence[str]:
    if what.kind in ("ridges", "even ridges"):
        return [_ridges(what)]
    return ["rings about the point you turn about"] if what.kind == "round" else ["finer shapes"]

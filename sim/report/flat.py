"""What an optical flat would show of each face, in words; the picture of the fringes has its place beside it.

A fringe is half a wave of height (checked against 587.6 nm: 293.80 nm).  A flat laid on without a tilt shows
rings on a dome or a dish; their number from centre to rim is the height over half a wave.
"""

from __future__ import annotations

from sim.gauges.fringes import LAMPS, band_height, too_grey
from sim.report import shapes, words
from sim.report.account import Account, Face

__all__ = ["FRINGE", "bands", "flat_words"]

FRINGE = band_height(1.0, LAMPS["helium"])  # [m]
FEW = 0.1  # of a band: no eye sees less
_KEYS = {False: ("sphere", "saddle", "twist"), True: ("bow", "crown", "wind")}


def bands(height: float) -> float:
    """How many bands a height difference [m] makes."""
    return abs(height) / FRINGE


def flat_words(said: Account) -> list[str]:
    """One line a face, and the note on grey faces where it is due."""
    fringe = words.size(FRINGE, said.units)
    lines = [
        f"Under a helium light (587.6 nm) one band is half a wave, {fringe} of height. With the flat lying "
        "on without a wedge you would see:"
    ]
    lines += [line for face in said.faces if (line := _of(face))]
    grey = [f.name for f in said.faces if too_grey(f.grit)]
    if grey:
        come = "comes" if len(grey) == 1 else "come"
        lines.append(
            f"But {words.joined(grey)} {come} off loose grit above about 5 um and will be too grey to show "
            "bands (common practice, no source): read a comparator instead, or go on to a finer grit first."
        )
    rough = [f.name for f in said.faces if _fine(f)]
    if rough:
        lines.append(f"On {words.joined(rough)} {words.REMARK}, and the bands would be ragged by as much.")
    return lines


def _fine(face: Face) -> bool:
    """Whether any form that is told is finer than the finish."""
    keys = _KEYS[face.long]
    heights = [abs(v) for k in keys if (v := face.after.get(k)) is not None and bands(v) >= FEW]
    return any(height < (face.finish or 0.0) for height in heights)


def _of(face: Face) -> str:
    """Bands on one face, its largest round form and its largest crossed one."""
    told = []
    keys = _KEYS[face.long]
    for key in keys:
        value = face.after.get(key)
        least = max(FEW, shapes.WORTH * bands(shapes.largest(face.after)))
        if value is None or (bands(value) < least and key != keys[0]):
            continue
        told.append(_told(key, value))
    return f"{face.name}: {'; '.join(told)}." if told else ""


_WHERE = {
    "sphere": "from centre to rim",
    "saddle": "from the rim at 3 to the rim at 12",
    "twist": "from the rim at 1:30 to the rim at 10:30",
    "bow": "from the middle to either end",
    "crown": "from the middle to either long edge",
    "wind": "from one corner to the next",
}


def _told(key: str, value: float) -> str:
    count = bands(value)
    if count < FEW:
        return f"straight bands {_WHERE[key]}"
    if count < 1.0:
        return f"bands that bow by {words.two(count)} of their spacing {_WHERE[key]}"
    number = "one band" if words.two(count) == "1.0" else f"{words.two(count)} bands"
    return f"about {number} {_WHERE[key]}"

"""What an optical flat would show of each face: what goes with the picture of the bands.

A band is half a wave of height (checked against 587.6 nm: 293.80 nm).
"""

from __future__ import annotations

from sim.gauges.fringes import LAMPS, band_height, too_grey
from sim.report import shapes, words
from sim.report.account import Account

__all__ = ["FRINGE", "flat_words"]

FRINGE = band_height(1.0, LAMPS["helium"])  # [m]


def flat_words(said: Account) -> list[str]:
    """How to read the bands, and the notes on grey and on ragged ones where they are due."""
    lines = [
        "Under a helium light (587.6 nm) one band is half a wave, "
        f"{words.size(FRINGE, said.units)} of height. Left of each pair the flat lies on without a wedge, "
        "right with a slight one."
    ]
    grey = [f.name for f in said.faces if too_grey(f.grit)]
    if grey:
        come = "comes" if len(grey) == 1 else "come"
        lines.append(
            f"But {words.joined(grey)} {come} off loose grit above about 5 um and will be too grey to show "
            "bands (common practice, no source): read a comparator instead, or go on to a finer grit first."
        )
    rough = [f.name for f in said.faces if f.finish is not None and not shapes.told(f.after, f.finish).above]
    if rough:
        lines.append(f"On {words.joined(rough)} {words.REMARK}, and the bands would be ragged by as much.")
    return lines

"""What an optical flat would show of each face: what goes with the picture of the bands.

A band is half a wave of height (checked against 587.6 nm: 293.80 nm).
"""

from __future__ import annotations

from lapwright.gauges.fringes import too_grey
from lapwright.gauges.instruments import OpticalFlat
from lapwright.gauges.sizes import LAMPS
from lapwright.report import shapes, words
from lapwright.report.account import Account
from lapwright.units import joined

__all__ = ["flat_of", "flat_words"]


def flat_of(said: Account, name: str) -> OpticalFlat:
    """The flat of the study, or by helium light one as large as the face of this name."""
    gauges = said.study.gauges.values()
    plate = said.study.plates.get(name)
    usual = OpticalFlat(
        diameter=2.0 * plate.outline.radius if plate is not None else 1.0, wavelength=LAMPS["helium"]
    )
    return next((gauge for gauge in gauges if isinstance(gauge, OpticalFlat)), usual)


def flat_words(said: Account) -> list[str]:
    """How to read the bands, and the notes on grey and on ragged ones where they are due."""
    flat = flat_of(said, said.faces[0].name)
    if flat.name:
        across = said.units.length(flat.diameter)
        light = f"Under the flat of the study ({flat.name}: {across}, {flat.wavelength * 1e9:.4g} nm)"
    else:
        light = f"Under a helium light ({flat.wavelength * 1e9:.4g} nm)"
    wedge = "under its own" if flat.wedge else "with a slight one"
    lines = [
        f"{light} one band is half a wave, {said.units.size(flat.band)} of height. Left of each pair "
        f"the flat lies on without a wedge, right {wedge}."
    ]
    grey = [f.name for f in said.faces if too_grey(f.grit)]
    if grey:
        come = "comes" if len(grey) == 1 else "come"
        lines.append(
            f"But {joined(grey)} {come} off loose grit above about 5 um and will be too grey to show "
            "bands (common practice, no source): read a comparator instead, or go on to a finer grit first."
        )
    finished = [f for f in said.faces if f.finish is not None]
    rough = [f.name for f in finished if not shapes.told(f.after, f.finish, said.units).above]
    if rough:
        lines.append(f"On {joined(rough)} {words.REMARK}, and the bands would be ragged by as much.")
    return lines

"""The pictures of a run, one small function each; every one is a figure that `svg` or `png` turns out."""

from __future__ import annotations

from matplotlib.figure import Figure

from lapwright.presentation.pictures.batch import parts, parts_of_ways
from lapwright.presentation.pictures.faces import faces
from lapwright.presentation.pictures.fringes import fringes_of
from lapwright.presentation.pictures.history import history, metal, zones
from lapwright.presentation.pictures.ink import png, sheet, svg
from lapwright.presentation.pictures.sections import sections
from lapwright.presentation.pictures.stroke import bearings, places, reaches, stroke, stroke_words

__all__ = [
    "Figure",
    "bearings",
    "faces",
    "fringes_of",
    "history",
    "metal",
    "parts",
    "parts_of_ways",
    "places",
    "png",
    "reaches",
    "sections",
    "sheet",
    "stroke",
    "stroke_words",
    "svg",
    "zones",
]

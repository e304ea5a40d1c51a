"""The pictures of a run, one small function each; every one is a figure that `svg` or `png` turns out."""

from matplotlib.figure import Figure

from sim.report.pictures.bearing import Place, bearing_picture, bearings, places
from sim.report.pictures.faces import faces
from sim.report.pictures.fringes import Seen, fringe_figure, fringe_picture, fringes_of
from sim.report.pictures.history import history
from sim.report.pictures.ink import png, sheet, svg
from sim.report.pictures.metal import metal, zones
from sim.report.pictures.sections import sections
from sim.report.pictures.stroke import stroke, stroke_words

__all__ = [
    "Figure",
    "Place",
    "Seen",
    "bearing_picture",
    "bearings",
    "faces",
    "fringe_figure",
    "fringe_picture",
    "fringes_of",
    "history",
    "metal",
    "places",
    "png",
    "sections",
    "sheet",
    "stroke",
    "stroke_words",
    "svg",
    "zones",
]

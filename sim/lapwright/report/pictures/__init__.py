"""The pictures of a run, one small function each; every one is a figure that `svg` or `png` turns out."""

from matplotlib.figure import Figure

from lapwright.report.pictures.bearing import Place, bearing_picture, bearings, places
from lapwright.report.pictures.faces import faces
from lapwright.report.pictures.fringes import Seen, fringe_figure, fringe_picture, fringes_of
from lapwright.report.pictures.history import history
from lapwright.report.pictures.ink import png, sheet, svg
from lapwright.report.pictures.metal import metal, zones
from lapwright.report.pictures.sections import sections
from lapwright.report.pictures.stroke import stroke, stroke_words

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

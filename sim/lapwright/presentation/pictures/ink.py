"""Colours, type and the way from a drawing to a PNG or to an SVG that follows light and dark.

Drawings are `matplotlib.figure.Figure` objects made without pyplot: no global state and a faster
start.  One point is one CSS pixel.  Every colour of `SHEET` is a word that the page may set anew
(`--ink`, ...): an SVG refers to the word, a PNG is drawn on light paper.
"""

from __future__ import annotations

import io
import math
import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from typing import Any

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.axis import XAxis, YAxis
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.path import Path
from numpy.typing import NDArray

__all__ = [
    "HEIGHTS",
    "LINES",
    "REMOVED",
    "SHEET",
    "Array",
    "End",
    "Sheet",
    "bare",
    "boundary_path",
    "drawn_larger",
    "name_ends",
    "new_figure",
    "plain",
    "png",
    "round_down",
    "round_step",
    "round_up",
    "sheet",
    "svg",
]


Array = NDArray[np.float64]


@dataclass(frozen=True)
class Sheet:
    """The colours of the sheet on light paper; field names are the page's CSS words."""

    ink: str = "#1b2026"
    muted: str = "#5b636c"
    rule: str = "#d5d3cb"
    paper: str = "#fcfbf8"
    accent: str = "#1c4f90"
    second: str = "#23282f"
    third: str = "#8a6a2f"
    metal: str = "#dcdddc"
    metal2: str = "#cdcfcf"
    gap: str = "#8fb4e3"
    band: str = "#eceae3"


SHEET = Sheet()
# Lines of the plates: told apart by colour and by dash, for eyes that see no colour and for print.
LINES: tuple[tuple[str, Any], ...] = (
    (SHEET.accent, "solid"),
    (SHEET.second, (0, (6, 2))),
    (SHEET.third, (0, (1, 1.4))),
    (SHEET.accent, (0, (7, 2, 1, 2))),
    (SHEET.second, (0, (2, 2))),
    (SHEET.third, "solid"),
)
_RC: dict[Any, Any] = {
    "font.family": ["DejaVu Sans"],
    "text.usetex": False,
    "text.parse_math": False,  # a plate may be called "$A$"
    "text.color": "#1b2026",
    "axes.grid": False,
    "figure.autolayout": False,
    "figure.constrained_layout.use": False,
    "font.size": 11.0,
    "svg.fonttype": "none",
    "svg.hashsalt": "lapwright",
    "axes.unicode_minus": True,
    "path.simplify": True,
}


# --- colour ramps ------------------------------------------------------------------------------


def _oklch(lightness: Array, chroma: Array, hue: Array) -> Array:
    """SRGB (n, 3) in 0..1 of colours given in OKLCh, hue [degree] (B. Ottosson 2020; from memory)."""
    a, b = chroma * np.cos(np.radians(hue)), chroma * np.sin(np.radians(hue))
    cone = np.stack(
        [
            lightness + 0.3963377774 * a + 0.2158037573 * b,
            lightness - 0.1055613458 * a - 0.0638541728 * b,
            lightness - 0.0894841775 * a - 1.2914855480 * b,
        ]
    )
    linear = (
        np.array(
            [
                [4.0767416621, -3.3077115913, 0.2309699292],
                [-1.2684380046, 2.6097574011, -0.3413193965],
                [-0.0041960863, -0.7034186147, 1.7076147010],
            ]
        )
        @ cone**3
    )
    linear = np.clip(linear, 0.0, 1.0)
    rgb = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    return np.clip(rgb.T, 0.0, 1.0)


def _heights_ramp(n: int = 256) -> Array:
    """Low is blue and darker, high is amber and lighter, the mean is near white.

    The two ends differ in lightness too, so that a grey copy still tells high from low.
    """
    t = np.linspace(-1.0, 1.0, n)
    size = np.abs(t)
    low = t < 0
    lightness = 0.968 - np.where(low, 0.55, 0.36) * size
    chroma = np.where(low, 0.135, 0.145) * size**0.85
    return _oklch(lightness, chroma, np.where(low, 256.0, 62.0))


def _removed_ramp(n: int = 256) -> Array:
    """From near white (little) to a deep green (much)."""
    t = np.linspace(0.0, 1.0, n)
    return _oklch(
        0.965 - 0.60 * t, 0.105 * np.sin(np.pi * np.clip(0.08 + 0.62 * t, 0, 1)), 175.0 + 0.0 * t
    )


HEIGHTS: Array = _heights_ramp()
REMOVED: Array = _removed_ramp()


# --- round numbers -----------------------------------------------------------------------------

_ROUND = (1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0)


def round_up(value: float) -> float:
    """The next round number at or above a positive value."""
    if not math.isfinite(value) or value <= 0.0:
        return 1.0
    power = 10.0 ** math.floor(math.log10(value))
    return float(next(m for m in (*_ROUND, 20.0) if m * power >= value * (1 - 1e-9)) * power)


def round_step(span: float, most: int) -> float:
    """A step of 1, 2 or 5 that cuts the span into at most `most` parts."""
    if not math.isfinite(span) or span <= 0.0:
        return 1.0
    power = 10.0 ** math.floor(math.log10(span / most))
    return float(
        next(m for m in (1.0, 2.0, 5.0, 10.0, 20.0) if span / (m * power) <= most + 1e-9) * power
    )


def round_down(most: float) -> float:
    """Largest round number (1, 2, 5 times a power of ten) at or below `most`."""
    return 1.0 / round_step(1.0 / most, 1)


def drawn_larger(times: float) -> str:
    """How much larger than lengths the heights of a drawing are."""
    number = f"{times:,.0f}".replace(",", "\u202f")
    return f"heights drawn {number} times larger"


@contextmanager
def sheet() -> Iterator[None]:
    """Our own settings while drawing, whatever the person's matplotlibrc says."""
    with matplotlib.rc_context(_RC):
        yield


# --- figures -----------------------------------------------------------------------------------


def new_figure(width: float, height: float) -> Figure:
    """An empty drawing of width x height points (CSS pixels)."""
    figure = Figure(figsize=(width / 72.0, height / 72.0), dpi=72.0)
    figure.patch.set_visible(False)
    return figure


def bare(figure: Figure, box: tuple[float, float, float, float]) -> Axes:
    """Axes without frame in a box (left, bottom, width, height) given in points."""
    axes = _Bare(figure, _share(figure, box))
    axes.set_axis_off()
    figure.add_axes(axes)
    return axes


def plain(figure: Figure, box: tuple[float, float, float, float]) -> Axes:
    """Axes for a graph: thin rules, ticks outside, no box."""
    axes = figure.add_axes(_share(figure, box))
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        axes.spines[side].set_color(SHEET.muted)
        axes.spines[side].set_linewidth(0.8)
    axes.tick_params(colors=SHEET.muted, labelsize=10.5, width=0.8, length=4)
    axes.patch.set_visible(False)
    return axes


class _Across(XAxis):
    majorTicks = minorTicks = ()  # type: ignore[assignment]  # noqa: N815


class _Up(YAxis):
    majorTicks = minorTicks = ()  # type: ignore[assignment]  # noqa: N815


class _Bare(Axes):
    """Axes that never show ticks, so that none are made: they are the better part of the work of new axes."""

    def _init_axis(self) -> None:
        self.xaxis, self.yaxis = _Across(self), _Up(self)
        self.spines.top.register_axis(self.xaxis)
        self.spines.bottom.register_axis(self.xaxis)
        self.spines.left.register_axis(self.yaxis)
        self.spines.right.register_axis(self.yaxis)


def _share(
    figure: Figure, box: tuple[float, float, float, float]
) -> tuple[float, float, float, float]:
    """A box in points as shares of the drawing."""
    width, height = figure.get_size_inches() * 72.0
    left, bottom, across, up = box
    return left / width, bottom / height, across / width, up / height


End = tuple[float, float, str, str]


def name_ends(axes: Axes, ends: list[End]) -> None:
    """Names at the ends of lines (x, y, name, colour), pushed apart where they would meet."""
    low, high = axes.get_ylim()
    apart = 13.0 * (high - low) / axes.get_window_extent().height
    placed = -math.inf
    for x, y, name, colour in sorted(ends, key=lambda end: end[1]):
        placed = max(y, placed + apart)
        axes.annotate(
            name if len(name) <= 11 else name[:10].rstrip() + "…", (x, placed), xytext=(7, 0),
            textcoords="offset points", ha="left", va="center", fontsize=11.5, weight="bold", color=colour,
            annotation_clip=False,
        )  # fmt: skip


def boundary_path(outer: Array, bore: float) -> Path:
    """Closed path about the metal: polygon (k, 2) [any unit] with a round bore of that radius."""
    vertices = [np.vstack([outer, outer[:1]])]
    if bore > 0.0:
        angle = np.linspace(0.0, -2.0 * np.pi, 97)
        vertices.append(bore * np.stack([np.cos(angle), np.sin(angle)], axis=1))
    codes = []
    for ring in vertices:
        codes += [Path.MOVETO, *[Path.LINETO] * (len(ring) - 2), Path.CLOSEPOLY]
    return Path(np.vstack(vertices), codes)


def png(figure: Figure, scale: float = 1.6) -> bytes:
    """The drawing as a PNG on light paper, `scale` pixels a point."""
    buffer = io.BytesIO()
    with sheet():
        figure.patch.set_visible(True)
        figure.patch.set_facecolor(SHEET.paper)
        # Looking through all artists would make the ticks of axes that have none to show.
        for image in (image for axes in figure.axes for image in axes.images):
            image.set_interpolation("bilinear")
        FigureCanvasAgg(figure)
        figure.savefig(buffer, format="png", dpi=72.0 * scale, pil_kwargs={"compress_level": 4})
        figure.patch.set_visible(False)
    return buffer.getvalue()


def svg(figure: Figure, name: str, label: str) -> str:
    """The drawing as an SVG element for inside a page: ids of its own, the page's type and colours.

    `name` starts every id; `label` is read out in place of the picture.
    """
    buffer = io.StringIO()
    with sheet():
        FigureCanvasSVG(figure)
        figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None, "Type": None})
    return _inlined(buffer.getvalue(), name, label)


def _inlined(text: str, name: str, label: str) -> str:
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>\s*", "", text, flags=re.S)
    text = re.sub(r"<style[^>]*>.*?</style>\s*", "", text, flags=re.S)
    text = re.sub(r"<!--.*?-->\s*", "", text, flags=re.S)
    text = text.replace("xlink:href", "href")
    # Maps are scaled smoothly by the browser; drawn as squares, cells would look like facets.
    text = re.sub(r"image-rendering:\s*[\w-]+;?", "", text)
    used = set(re.findall(r"#([\w.-]+)", text))

    def renamed(match: re.Match[str]) -> str:
        return f' id="{name}-{match[1]}"' if match[1] in used else ""

    text = re.sub(r'\sid="([^"]*)"', renamed, text)
    text = re.sub(r'(href="|url\()#', rf"\1#{name}-", text)
    text = re.sub(r"font: ([^;\"]*?[\d.]+px) [^;\"]*", r"font: \1 var(--sans)", text)
    for word, colour in asdict(SHEET).items():
        text = text.replace(colour, f"var(--{word})")
    box = re.search(r'viewBox="([^"]*)"', text)
    size = box[1].split() if box else ["0", "0", "0", "0"]
    head = (
        f'<svg class="pic" viewBox="{" ".join(size)}" style="max-width:{float(size[2]):.0f}px" '
        f'role="img" aria-label="{_attribute(label)}">'
    )
    return re.sub(r"<svg[^>]*>", lambda _: head, text, count=1)


def _attribute(text: str) -> str:
    return (
        text.replace("&", "&amp;").replace('"', "&quot;").replace("<", "&lt;").replace(">", "&gt;")
    )

"""Colours, type and the way from a drawing to a PNG or to an SVG that follows light and dark.

Drawings are `matplotlib.figure.Figure` objects made without pyplot: no global state and a faster
start.  One point is one CSS pixel.  Every colour of `SHEET` is a word that the page may set anew
(`--ink`, ...): an SVG refers to the word, a PNG is drawn on light paper.
"""

from __future__ import annotations

import io
import math
import re
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from html import escape
from typing import Any

import matplotlib
import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.axis import XAxis, YAxis
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, MultipleLocator
from numpy.typing import NDArray

from lapwright.presentation.words import typeset

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
    gap: str = "#b7a0dd"
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
    "text.color": SHEET.ink,
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


# OKLCh to cones and cones to linear sRGB (B. Ottosson 2020; from memory).
_CONES = np.array(
    [
        [1.0, 0.3963377774, 0.2158037573],
        [1.0, -0.1055613458, -0.0638541728],
        [1.0, -0.0894841775, -1.2914855480],
    ]
)
_LIGHTS = np.array(
    [
        [4.0767416621, -3.3077115913, 0.2309699292],
        [-1.2684380046, 2.6097574011, -0.3413193965],
        [-0.0041960863, -0.7034186147, 1.7076147010],
    ]
)


def _oklch(lightness: Array, chroma: Array, hue: Array) -> Array:
    """SRGB (n, 3) in 0..1 of colours given in OKLCh, hue [degree]."""
    a, b = chroma * np.cos(np.radians(hue)), chroma * np.sin(np.radians(hue))
    linear = np.clip(_LIGHTS @ (_CONES @ np.stack([lightness, a, b])) ** 3, 0.0, 1.0)
    rgb = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    return np.asarray(np.clip(rgb.T, 0.0, 1.0))


def _heights_ramp(n: int = 256) -> Array:
    """High is blue and darker, as marking blue shows high spots; low is amber, the mean is near white.

    The two ends differ in lightness too, so that a grey copy still tells high from low.
    """
    t = np.linspace(-1.0, 1.0, n)
    high, size = t > 0, np.abs(t)
    lightness = 0.968 - np.where(high, 0.55, 0.36) * size
    chroma = np.where(high, 0.135, 0.145) * size**0.85
    return _oklch(lightness, chroma, np.where(high, 256.0, 62.0))


def _removed_ramp(n: int = 256) -> Array:
    """From near white (little) to a deep green (much)."""
    t = np.linspace(0.0, 1.0, n)
    chroma = 0.105 * np.sin(np.pi * np.clip(0.08 + 0.62 * t, 0, 1))
    return _oklch(0.965 - 0.60 * t, chroma, np.full(n, 175.0))


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
    return next(m for m in (1.0, 2.0, 5.0, 10.0) if span / (m * power) <= most + 1e-9) * power


def round_down(most: float) -> float:
    """Largest round number (1, 2, 5 times a power of ten) at or below `most`."""
    return 1.0 / round_step(1.0 / most, 1)


def drawn_larger(times: float) -> str:
    """How much larger than lengths the heights of a drawing are."""
    return f"heights drawn {times:,.0f} times larger".replace(",", "\u202f")


@contextmanager
def sheet() -> Iterator[None]:
    """Our own settings while drawing, whatever the person's matplotlibrc says.

    A plate may be named in a script that the type has no letters for: a PNG then shows boxes in their place,
    a page the letters that the browser has, and neither is worth a warning.
    """
    with matplotlib.rc_context(_RC), warnings.catch_warnings():
        for words in ("Glyph .* missing from", "Matplotlib currently does not support"):
            warnings.filterwarnings("ignore", words)
        yield


# --- figures -----------------------------------------------------------------------------------


def new_figure(width: float, height: float) -> Figure:
    """An empty drawing of width x height points (CSS pixels)."""
    figure = Figure(figsize=(width / 72.0, height / 72.0), dpi=72.0)
    figure.patch.set_visible(False)
    return figure


Style = dict[str, Any]  # what matplotlib takes beside
Box = tuple[float, float, float, float]  # left, bottom, width, height [points]


def bare(figure: Figure, box: Box, window: tuple[float, ...] = ()) -> Axes:
    """Axes without frame in a box; `window`: left, right, low and high of what is drawn there."""
    axes = _Bare(figure, _share(figure, box))
    axes.set_axis_off()
    figure.add_axes(axes)
    if window:
        axes.set_xlim(*window[:2])
        axes.set_ylim(*window[2:])
    return axes


def plain(figure: Figure, box: Box) -> Axes:
    """Axes for a graph: thin rules, ticks outside, no box."""
    axes = figure.add_axes(_share(figure, box))
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        axes.spines[side].set_color(SHEET.muted)
        axes.spines[side].set_linewidth(0.8)
    axes.tick_params(colors=SHEET.muted, labelsize=10.5, width=0.8, length=4)
    axes.xaxis.label.set(fontsize=11, color=SHEET.ink)
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


def _share(figure: Figure, box: Box) -> Box:
    """A box in points as shares of the drawing."""
    width, height = figure.get_size_inches() * 72.0
    left, bottom, across, up = box
    return left / width, bottom / height, across / width, up / height


# --- words, scales and names in a drawing ------------------------------------------------------


def write(
    figure: Figure,
    x: float,
    y: float,
    text: str,
    size: float = 10.5,
    ha: str = "center",
    **more: Any,
) -> None:
    """Words set in type, their foot at a place from the lower left [points]; muted unless it is said."""
    x, y, _, _ = _share(figure, (x, y, 0.0, 0.0))
    figure.text(x, y, typeset(text), fontsize=size, ha=ha, **{"color": SHEET.muted, **more})


def heading(
    figure: Figure, x: float, y: float, text: str, size: float = 12.0, ha: str = "center"
) -> None:
    """The same, bold."""
    write(figure, x, y, text, size, ha, weight="bold", color=SHEET.ink)


def beside(
    axes: Axes,
    text: str,
    at: tuple[float, float],
    off: tuple[float, float] = (0.0, 0.0),
    **more: Any,
) -> None:
    """Words beside a place of a graph, `off` by so many points; they may stand outside it."""
    usual: Style = {"ha": "left", "va": "center", "fontsize": 10.5, "color": SHEET.ink}
    axes.annotate(
        typeset(text),
        at,
        xytext=off,
        textcoords="offset points",
        annotation_clip=False,
        **usual | more,
    )


def ruled(axes: Axes, parts: int, signed: bool = False) -> None:
    """Rules at round values between the ends of the upright axis; where 0 parts two sides, no sign."""
    axes.yaxis.set_major_locator(MultipleLocator(round_step(float(np.ptp(axes.get_ylim())), parts)))
    axes.yaxis.set_major_formatter(
        FuncFormatter(lambda v, _: f"{v if signed else abs(v):.4g}".replace("-", "\u2212"))
    )
    axes.grid(axis="y", color=SHEET.rule, linewidth=0.6)
    axes.set_axisbelow(True)


def two_sided(axes: Axes, parts: int) -> tuple[float, float]:
    """A graph with 0 on it, ruled, with room at both ends, which it gives."""
    low, high = axes.get_ylim()
    pad = 0.06 * max(high - low, 1e-3)
    low, high = min(low - pad, -2.0 * pad), max(high + pad, 2.0 * pad)
    axes.set_ylim(low, high)
    ruled(axes, parts)
    axes.axhline(0.0, color=SHEET.ink, linewidth=0.9)
    return low, high


def ramp_scale(
    figure: Figure, middle: float, ramp: Array, low: str, high: str, note: str = ""
) -> None:
    """At the foot of a drawing a strip of a colour ramp, what its ends mean, and a note beside it.

    `middle` of the strip, or of strip and note together [points].
    """
    left = middle - (330.0 if note else 90.0)
    axes = bare(figure, (left, 9.0, 180.0, 11.0))
    strip = np.rint(ramp[None, ::4] * 255.0).astype(np.uint8)
    axes.imshow(strip, aspect="auto", interpolation="none", extent=(0, 1, 0, 1))
    axes.plot([0, 1, 1, 0, 0], [0, 0, 1, 1, 0], color=SHEET.muted, linewidth=0.6, clip_on=False)
    for x, text, ha in ((-8.0, low, "right"), (188.0, high, "left"), (280.0, note, "left")):
        write(figure, left + x, 11.0, text, ha=ha)


def legend(figure: Figure, entries: Sequence[Artist], foot: float = 3.0) -> None:
    """What lines and bars are, each by its label, in a row so many points above the foot of a drawing."""
    figure.legend(
        handles=list(entries),
        loc="lower center",
        bbox_to_anchor=(0.5, _share(figure, (0.0, foot, 0.0, 0.0))[1]),
        ncols=len(entries),
        frameon=False,
        borderaxespad=0.0,
        columnspacing=2.6,
        handlelength=2.8,
        fontsize=10.5,
        labelcolor=SHEET.muted,
    )


End = tuple[float, float, str, str]


def name_ends(axes: Axes, ends: list[End], most: int = 11) -> None:
    """Names at the ends of lines (x, y, name, colour), pushed apart where they would meet, cut at `most`."""
    points = 72.0 / axes.get_figure(root=True).dpi  # type: ignore[union-attr]
    long = most > 11 and any(len(end[2]) > 11 for end in ends)
    style: Style = {"fontsize": 11} if long else {"fontsize": 11.5, "weight": "bold"}
    placed = -math.inf
    for x, y, name, colour in sorted(ends, key=lambda end: end[1]):
        here = float(axes.transData.transform((x, y))[1]) * points
        placed = max(here, placed + 13.0)
        short = name if len(name) <= most else name[: most - 1].rstrip() + "…"
        beside(axes, short, (x, y), (7.0, placed - here), color=colour, **style)


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
    beside = r"<metadata>.*?</metadata>|<style[^>]*>.*?</style>|<!--.*?-->"
    text = re.sub(rf"(?:{beside})\s*", "", text, flags=re.S)
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
    (box,) = re.findall(r'viewBox="([^"]*)"', text[:400])
    head = (
        f'<svg class="pic" viewBox="{box}" style="max-width:{float(box.split()[2]):.0f}px" '
        f'role="img" aria-label="{escape(label)}">'
    )
    return re.sub(r"<svg[^>]*>", lambda _: head, text, count=1)

"""How they got there: dome or dish of each plate against the metal removed."""

from __future__ import annotations

import math
from collections.abc import Sequence
from textwrap import fill

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator, FuncFormatter

from lapwright.limits import limit_of, why_band
from lapwright.plate.forms import FORMS, LONG, SPOKEN
from lapwright.report.account import Account, Face, common_removed
from lapwright.report.pictures.ink import LINES, SHEET, Array, End, name_ends, new_figure, plain, round_step
from lapwright.units import NOTHING, Units, shortened

__all__ = ["history", "leading_panel"]

_LEFT, _RIGHT, _HEAD = 112.0, 92.0, 46.0


def history(account: Account, width: float = 1010.0) -> Figure | None:
    """Domes and dishes (rails: bow) above, twist and the like below, bars for who was on top.

    None when the history has fewer than two entries.
    """
    removed = common_removed(account)
    if removed.size < 2:
        return None
    scale, unit = account.units.small.size, account.units.small.symbol
    panels = _panels(account)
    heights = [230.0] + [110.0] * (len(panels) - 1)
    bars = 16.0 * len(_tops(account)) + 10.0
    total = _HEAD + sum(heights) + 26.0 * (len(panels) - 1) + 14.0 + bars + 44.0
    figure = new_figure(width, total)
    x = removed / scale
    level = total - _HEAD
    inner = width - _LEFT - _RIGHT
    for number, (keys, tall) in enumerate(zip(panels, heights, strict=True)):
        level -= tall
        axes = plain(figure, (_LEFT, level, inner, tall))
        _panel(axes, account, keys, x, scale, unit)
        axes.set_xlim(*_limits(x))
        axes.tick_params(labelbottom=False)
        axes.spines["bottom"].set_visible(False)
        axes.tick_params(bottom=False)
        if number == 0:
            _minutes(axes, account, x)
        level -= 26.0
    level += 26.0 - 14.0 - bars
    axes = plain(figure, (_LEFT, level, inner, bars))
    _bars(axes, account, x)
    axes.set_xlim(*_limits(x))
    axes.set_xlabel(
        f"metal removed, mean of {'the plates' if len(account.faces) > 1 else 'the plate'}, {unit}",
        fontsize=11,
        color=SHEET.ink,
    )
    return figure


def leading_panel(axes: Axes, account: Account) -> Axes:
    """Draw the first of the panels alone, into axes of somebody else's."""
    scale, unit = account.units.small.size, account.units.small.symbol
    _panel(axes, account, _panels(account)[0], common_removed(account) / scale, scale, unit)
    axes.set_xlabel(f"metal removed, {unit}")
    axes.set_ylabel(f"dome up, dish down, {unit}")
    return axes


def _limits(x: Array) -> tuple[float, float]:
    low, high = float(np.min(x)), float(np.max(x))
    return (low, high) if high - low > 1e-9 else (low, low + 1.0)


def _tops(account: Account) -> list[str]:
    """Plates that were on top at one time or another, in the order of the study."""
    return [f.name for f in account.faces if f.name in set(account.run.top)]


def _panels(account: Account) -> list[tuple[str, ...]]:
    """Which forms are drawn together: spheres (rails: bow), then the rest where they are worth it."""
    panels: list[tuple[str, ...]] = []
    if any(not f.long for f in account.faces):
        panels.append(("sphere",))
    if any(f.long for f in account.faces):
        panels.append(("bow",))
    leads = [k[0] for k in panels]
    worth = 0.04 * max((_largest(f, k) for f in account.faces for k in leads), default=0.0)
    finish = min((f.finish for f in account.faces if f.finish is not None), default=0.0)
    for key in SPOKEN:
        if key in leads:
            continue
        biggest = max((_largest(f, key) for f in account.faces), default=0.0)
        if biggest > max(worth, finish, 20 * NOTHING):
            panels.append((key,))
    return panels or [("sphere",)]


def _largest(face: Face, key: str) -> float:
    got = np.abs(face.form(key))
    return float(np.nanmax(got)) if np.isfinite(got).any() else 0.0


def _panel(axes: Axes, account: Account, keys: Sequence[str], x: Array, scale: float, unit: str) -> None:
    ends: list[End] = []
    for number, face in enumerate(account.faces):
        colour, dash = LINES[number % len(LINES)]
        for key in keys:
            y = face.form(key) / scale
            if np.isfinite(y).any():
                axes.plot(x, y, color=colour, linestyle=dash, linewidth=1.8)
                ends.append((float(x[-1]), float(y[np.isfinite(y)][-1]), face.name, colour))
    low, high = axes.get_ylim()
    pad = 0.06 * max(high - low, 1e-3)
    low, high = min(low - pad, -2 * pad), max(high + pad, 2 * pad)
    axes.set_ylim(low, high)
    step = round_step(high - low, 8 if axes.get_position().height > 0.3 else 4)
    ticks = step * np.arange(math.ceil(low / step), math.floor(high / step) + 1)
    axes.yaxis.set_major_locator(FixedLocator([float(t) for t in ticks]))
    axes.yaxis.set_major_formatter(FuncFormatter(lambda v, _: f"{abs(v):.4g}"))
    axes.grid(axis="y", color=SHEET.rule, linewidth=0.6)
    axes.set_axisbelow(True)
    _finish_band(axes, account, x, scale)
    axes.axhline(0.0, color=SHEET.ink, linewidth=0.9)
    _sides(axes, keys[0], unit, low, high)
    axes.set_xlim(*_limits(x))
    name_ends(axes, ends)


def _finish_band(axes: Axes, account: Account, x: Array, scale: float) -> None:
    """Shade what is finer than a tenth of the grit of each step."""
    if not account.steps:
        return
    known = {n: limit_of("finish") * s.grit.size / scale for n, s in enumerate(account.steps, 1)}
    finish = np.array([known.get(int(n), np.nan) for n in account.run.step])
    finish[0] = finish[min(1, len(finish) - 1)]
    axes.fill_between(x, -finish, finish, step="pre", color=SHEET.band, linewidth=0, zorder=0)


def _sides(axes: Axes, key: str, unit: str, low: float, high: float) -> None:
    word = f"{FORMS[key].word}, " if key in LONG else ""
    sides = (side.replace("at the ", "at ").removesuffix(" corners") for side in FORMS[key].sides)
    up, down = (fill(f"{word}{side}", 12) for side in sides)
    for y, text, anchor in ((high, f"{up}\n{unit}", "top"), (low, down, "bottom")):
        if (y > 0) == (anchor == "top"):
            axes.annotate(
                text, (0, y), xycoords=("axes fraction", "data"), xytext=(-_LEFT + 2, 0),
                textcoords="offset points", ha="left", va=anchor, fontsize=10.5, color=SHEET.ink,
                annotation_clip=False,
            )  # fmt: skip


def _minutes(axes: Axes, account: Account, x: Array) -> None:
    """Minutes along the upper edge: at even times, wherever the metal had got to."""
    time = np.asarray(account.run.time, dtype=float) / 60.0
    if not np.ptp(time) > 0 or not np.ptp(x) > 0:
        return
    step = round_step(float(np.ptp(time)), 10)
    marks = step * np.arange(math.ceil(time[0] / step), math.floor(time[-1] / step + 1e-9) + 1)
    places = _apart(np.interp(marks, time, x), 34.0 * float(np.ptp(x)) / axes.get_window_extent().width)
    upper = axes.secondary_xaxis("top")
    upper.xaxis.set_major_locator(FixedLocator(places))
    upper.xaxis.set_major_formatter(FuncFormatter(lambda v, _: f"{np.interp(v, x, time):.4g}"))
    upper.spines["top"].set_color(SHEET.muted)
    upper.tick_params(colors=SHEET.muted, labelsize=10.5, width=0.8, length=4)
    factor = account.spread
    note = f"minutes, known to {Units.number(1.0 / factor)} to {Units.number(factor)} times"
    axes.annotate(
        f"{note} {why_band(factor)}", (1, 1), xycoords="axes fraction",
        xytext=(0, 22), textcoords="offset points", ha="right", va="bottom", fontsize=10.5,
        color=SHEET.muted, annotation_clip=False,
    )  # fmt: skip


def _apart(places: Array, least: float) -> list[float]:
    """Those of some places in order that lie at least so far apart."""
    kept: list[float] = []
    for place in places:
        if not kept or place - kept[-1] >= least:
            kept.append(float(place))
    return kept


def _bars(axes: Axes, account: Account, x: Array) -> None:
    tops = _tops(account)
    colours = {f.name: LINES[k % len(LINES)][0] for k, f in enumerate(account.faces)}
    for row, name in enumerate(tops):
        spans = [(x[k], x[k + 1] - x[k]) for k in range(len(x) - 1) if _top_during(account, k) == name]
        axes.broken_barh(_merged(spans), (len(tops) - row - 0.82, 0.64), color=colours[name], linewidth=0)
        axes.annotate(
            f"{shortened(name, 8)} on top", (0, len(tops) - row - 0.5),
            xycoords=("axes fraction", "data"), xytext=(-8, 0),
            textcoords="offset points", ha="right", va="center", fontsize=10.5, color=SHEET.ink,
            annotation_clip=False,
        )  # fmt: skip
    axes.set_ylim(0, max(len(tops), 1))
    axes.yaxis.set_major_locator(FixedLocator([]))
    axes.spines["left"].set_visible(False)


def _top_during(account: Account, k: int) -> str:
    """Who lay on top between entries k and k + 1: an entry that says "swap" is made after the swap."""
    event = account.run.event[k + 1]
    return account.run.top[k] if event == "swap" else account.run.top[k + 1]


def _merged(spans: list[tuple[float, float]]) -> list[tuple[float, float]]:
    out: list[tuple[float, float]] = []
    for start, long in spans:
        if out and abs(out[-1][0] + out[-1][1] - start) < 1e-9 * max(1.0, abs(start)):
            out[-1] = (out[-1][0], out[-1][1] + long)
        else:
            out.append((float(start), float(long)))
    return out

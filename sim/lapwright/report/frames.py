"""The saved surfaces as compact arrays for the page's slider: one byte a cell, a scale a frame."""

from __future__ import annotations

import base64
import json

import numpy as np
from numpy.typing import NDArray

from lapwright.report import words
from lapwright.report.account import Account, Face, common_removed, level
from lapwright.report.pictures.faces import contour_step, height_limit, spread_out
from lapwright.report.pictures.ink import HEIGHTS
from lapwright.report.typeset import typeset
from lapwright.units import Units

__all__ = ["frames_json"]

Array = NDArray[np.float64]

BUDGET = 850_000  # bytes of heights in all, so that the page stays well under three megabytes
FINEST = 112  # cells along the longer side: finer than a screen shows at this size


def frames_json(account: Account) -> str:
    """All frames of all plates as JSON, safe inside a script element."""
    count = max((len(f.record.frame_time) for f in account.faces), default=0)
    share = BUDGET / max(1, len(account.faces) * count)
    faces = [_thinned(face, min(FINEST, int(share**0.5))) for face in account.faces]
    limit = height_limit(account)
    data = {
        "limit": limit / 1e-6,
        "step": contour_step(limit, account.units) / 1e-6,
        "ramp": _text(np.rint(HEIGHTS * 255.0).astype(np.uint8)),
        "told": [_told(account, k) for k in range(count)],
        "cells": [f.pop("cells") for f in faces],
        "plates": faces,
    }
    for entry, face in zip(faces, account.faces, strict=True):
        entry["words"] = [_words(account, face, k) for k in range(count)]
    return json.dumps(data, separators=(",", ":"), allow_nan=False).replace("<", "\\u003c")


def _text(array: NDArray[np.uint8]) -> str:
    return base64.b64encode(np.ascontiguousarray(array).tobytes()).decode("ascii")


def _thinned(face: Face, most: int) -> dict[str, object]:
    """Frames of a face on at most `most` cells along its longer side."""
    record = face.record
    land = np.asarray(record.land, dtype=float)
    ny, nx = land.shape
    keep = min(1.0, max(most, 8) / max(nx, ny))
    rows, columns = max(2, round(ny * keep)), max(2, round(nx * keep))
    small_land = _averaged(land, rows, columns)
    maps, low, span = [], [], []
    for frame in record.frames:
        z = level(record, frame)
        on = np.isfinite(z)
        weight = _averaged(land * on, rows, columns)
        total = _averaged(land * np.nan_to_num(z), rows, columns)
        small = np.full(weight.shape, np.nan)
        some = weight > 0.02
        small[some] = total[some] / weight[some] / 1e-6
        small = spread_out(small, 3)
        least = float(np.nanmin(small)) if np.isfinite(small).any() else 0.0
        wide = float(np.nanmax(small)) - least if np.isfinite(small).any() else 0.0
        share = np.nan_to_num((small - least) / (wide or 1.0))
        maps.append(np.rint(255.0 * np.clip(share, 0.0, 1.0)).astype(np.uint8))
        low.append(round(least, 6))
        span.append(round(wide, 6))
    half_x, half_y = _half(record.x), _half(record.y)
    along, up = face.half
    groove = np.where(_within(face, small_land.shape, half_x, half_y), small_land, 1.0)
    return {
        "nx": columns,
        "ny": rows,
        "cells": [_mm(v) for v in (
            record.x[0] - half_x, record.x[-1] + half_x, record.y[0] - half_y, record.y[-1] + half_y
        )],
        "window": [_mm(along), _mm(up)],
        "outer": [[_mm(x), _mm(y)] for x, y in face.outer],
        "bore": _mm(face.bore),
        "low": low,
        "span": span,
        "land": _text(np.rint(255.0 * np.clip(groove, 0.0, 1.0)).astype(np.uint8)),
        "z": _text(np.stack(maps)),
    }  # fmt: skip


def _within(face: Face, shape: tuple[int, ...], half_x: float, half_y: float) -> NDArray[np.bool_]:
    """Thinned cells well inside the outline: there, missing land is a groove, not the rim."""
    record = face.record
    y = np.linspace(record.y[0] - half_y, record.y[-1] + half_y, 2 * shape[0] + 1)[1::2]
    x = np.linspace(record.x[0] - half_x, record.x[-1] + half_x, 2 * shape[1] + 1)[1::2]
    X, Y = np.meshgrid(x, y)
    cell = max(x[1] - x[0], y[1] - y[0])
    along, up = face.half
    boxed = (np.abs(X) < along - cell) & (np.abs(Y) < up - cell)
    if float(np.hypot(*face.outer.T).max()) > 1.2 * max(along, up) or along != up:
        return np.asarray(boxed)
    radius = np.hypot(X, Y)
    return np.asarray((radius < along - cell) & (radius > face.bore + cell))


def _averaged(values: Array, rows: int, columns: int) -> Array:
    """Means over equal stretches of both axes (exact also where stretches cut cells)."""
    return _averaged_down(_averaged_down(values, rows).T, columns).T


def _averaged_down(values: Array, few: int) -> Array:
    # Running sums read off between cells: no matrix product, whose threads cost more than the work here.
    many = len(values)
    if many == few:
        return values
    running = np.vstack([np.zeros((1, values.shape[1])), np.cumsum(values, axis=0)])
    edge = np.arange(few + 1) * (many / few)
    whole = np.minimum(edge.astype(int), many - 1)
    share = (edge - whole)[:, None]
    at = running[whole] * (1.0 - share) + running[whole + 1] * share
    return np.asarray(np.diff(at, axis=0) * (few / many))


def _half(at: Array) -> float:
    return float(at[1] - at[0]) / 2 if len(at) > 1 else 5e-4


def _mm(value: float) -> float:
    return round(float(value) * 1e3, 4)


def _entry(account: Account, seconds: float) -> int:
    """The entry of the history nearest in time, the later one of equals."""
    time = np.asarray(account.run.time, dtype=float)
    return int(len(time) - 1 - np.argmin(np.abs(time[::-1] - seconds)))


def _frame_time(account: Account, k: int) -> float:
    times = max((f.record.frame_time for f in account.faces), key=len)
    return float(times[k])


def _told(account: Account, k: int) -> str:
    """What stands beside the slider: metal removed first, then minutes with their band."""
    seconds = _frame_time(account, k)
    time, removed = np.asarray(account.run.time, dtype=float), common_removed(account)
    if k == 0 or len(time) == 0:
        return "at the start"
    off = float(np.interp(seconds, time, removed))
    entry = _entry(account, seconds)
    who = f"{account.run.top[entry]} on {account.run.bottom[entry]}"
    return typeset(f"{account.units.size(off)} removed; {Units.rubbing(seconds, account.spread)}; {who}")


def _words(account: Account, face: Face, k: int) -> str:
    entry = _entry(account, _frame_time(account, k)) if k else 0
    forms = {key: _known(face, key, entry) for key in face.before}
    return typeset(words.face(forms, face.finish, account.units))


def _known(face: Face, key: str, entry: int) -> float | None:
    got = face.form(key)
    value = float(got[entry]) if len(got) else float("nan")
    return value if np.isfinite(value) else None

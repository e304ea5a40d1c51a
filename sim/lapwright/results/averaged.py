"""A row for each part of a batch over whose parts is averaged: from those that were lapped.

A load that is lapped stands for itself and for the next ones; its parts come as the mean of theirs.  Forms of
a part are taken straight from one lapped load to the next on the same station, and by how much it came other
than that mean, by a response that is the same for all: least squares over what followed each other.  What a
minimum zone makes of the forms is fitted to their sizes, and what that leaves is taken straight too.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from functools import cache, cached_property
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lapwright.metrology.form import FORMS, form_names
from lapwright.specification.batch import SCATTERS, Batch
from lapwright.specification.plate import Plate

Array = NDArray[np.float64]
Row = dict[str, Any]

# Rms of what is missed of lapped parts that are told from their neighbours: to stay on the safe side.
WIDER = 1.6
SIZES = ("flatness", "flatness_ls", "rms", "edge")  # that follow from the forms


class Rows:
    """Rows of all parts, in order, from those of lapped ones; `spells` says where the plate was dressed.

    A lapped row has `stands` (for how many loads), and where that is more than one `then`: the plate, metal
    off it and the time once all of them were lapped.
    """

    def __init__(
        self, batch: Batch, usual: Plate, seed: int, lapped: Sequence[Row], dressed: Sequence[int]
    ) -> None:
        self.batch, self.usual, self.seed = batch, usual, seed
        self.lapped, self.dressed = lapped, list(dressed)
        self.forms = form_names(usual.outline)
        self.scatter = tuple(name for name in SCATTERS if batch.scatter.get(name))
        self.off = cache(self._off)

    def _off(self, number: int) -> Array:
        """By how much part `number` comes other than usual, by what scatters [m]."""
        part, thicker = self.batch.part_of(self.usual, number, self.seed)
        return np.array(
            [
                thicker if not SCATTERS[name]
                else getattr(part.form, SCATTERS[name]) - getattr(self.usual.form, SCATTERS[name])
                for name in self.scatter
            ]
        )  # fmt: skip

    def _mean_off(self, row: Row) -> Array:
        """The same of the part that was lapped: the mean of those that it stands for."""
        each = [self.off(row["number"] + self.batch.together * k) for k in range(row["stands"])]
        mean: Array = np.mean(each, axis=0)
        return mean

    def _spell(self, number: int) -> int:
        """How often the plate had been dressed before part `number`."""
        return sum(after < number for after in self.dressed)

    def all(self, came: Callable[[int], Mapping[str, float]]) -> list[Row]:
        """Every row; `came(number)` measures a part as it came."""
        if all(row["stands"] == 1 for row in self.lapped):
            return list(self.lapped)
        out = []
        for line in self.lines.values():
            for at, row in enumerate(line):
                out += self._of_one(line, at, row, came)
        return sorted(out, key=lambda row: row["number"])

    @cached_property
    def lines(self) -> dict[tuple[int, int], list[Row]]:
        """Lapped rows by spell and station."""
        lines: dict[tuple[int, int], list[Row]] = {}
        for row in self.lapped:
            lines.setdefault((self._spell(row["number"]), row["station"]), []).append(row)
        return lines

    def _values(self, row: Row) -> Array:
        """What is carried straight: the forms and the metal."""
        return np.array([*(row["forms"][key] for key in self.forms), row["removed"]])

    @cached_property
    def response(self) -> Array:
        """Matrix (values, scatters): what a part keeps of how it came."""
        change, off, ahead = [], [], []
        for line in self.lines.values():
            for one, other in pairwise(line):
                change.append(self._values(other) - self._values(one))
                off.append(self._mean_off(other) - self._mean_off(one))
                ahead.append(other["load"] - one["load"])
        count = len(self.scatter)
        if not count or len(change) < 2 * (count + 1):
            return np.zeros((len(self.forms) + 1, count))
        x = np.column_stack([np.array(off), np.array(ahead, dtype=float)])
        found, *_ = np.linalg.lstsq(x, np.array(change), rcond=None)
        return np.asarray(found[:count].T)

    def _shown(self, forms: Mapping[str, float]) -> Array:
        """What the sizes of a face follow from: dome, and what is not the same all round."""
        first, *others = (abs(forms[key]) for key in self.forms)
        return np.array([1.0, first, math.hypot(*others)])

    @cached_property
    def sizes(self) -> dict[str, Array]:
        """How each size follows from the forms (3,)."""
        x = np.array([self._shown(row["forms"]) for row in self.lapped])
        out = {}
        for key in SIZES:
            y = np.array([row["forms"][key] for row in self.lapped])
            if np.isfinite(y).all():
                out[key] = np.linalg.lstsq(x, y, rcond=None)[0]
        return out

    def _between(
        self, row: Row, other: Row, share: float, off: Array
    ) -> tuple[dict[str, float], float]:
        """Forms of a part, and metal off it, that came other than usual by `off`: a share of the way on."""

        def bare(one: Row) -> Array:
            return self._values(one) - self.response @ self._mean_off(one)

        values = (1.0 - share) * bare(row) + share * bare(other) + self.response @ off
        forms = dict.fromkeys(FORMS, float("nan"))
        forms |= {key: float(x) for key, x in zip(self.forms, values, strict=False)}
        for key, how in self.sizes.items():
            over = [
                one["forms"][key] - float(how @ self._shown(one["forms"])) for one in (row, other)
            ]
            size = float(how @ self._shown(forms)) + (1.0 - share) * over[0] + share * over[1]
            forms[key] = size if key == "edge" else max(size, 0.0)
        return forms, float(values[-1])

    @cached_property
    def left(self) -> dict[str, float]:
        """How far a part may be off so, by form and size [m].

        Lapped parts but for the first and last of a line are told from those before and after them.
        """
        over: dict[str, list[float]] = {key: [] for key in (*self.forms, *self.sizes)}
        for line in self.lines.values():
            for before, row, after in zip(line, line[1:], line[2:], strict=False):
                share = (row["load"] - before["load"]) / (after["load"] - before["load"])
                told, _ = self._between(before, after, share, self._mean_off(row))
                for key, found in over.items():
                    found.append(told[key] - row["forms"][key])
        return {
            key: WIDER * float(np.sqrt(np.mean(np.square(found)))) if found else float("nan")
            for key, found in over.items()
        }

    def _of_one(
        self, line: list[Row], at: int, row: Row, came: Callable[[int], Mapping[str, float]]
    ) -> list[Row]:
        """Rows of the parts for which a lapped one stands."""
        if row["stands"] == 1:
            return [row]
        ahead = line[at + 1] if at + 1 < len(line) else None
        behind = line[at - 1] if at else None
        out = []
        for k in range(row["stands"] if "then" in row else 1):
            # Straight to the next one of the spell; where there is none, on as it came from the last one.
            other, share = row, 0.0
            if ahead is not None:
                other, share = ahead, k / (ahead["load"] - row["load"])
            elif behind is not None:
                other, share = behind, -k / (row["load"] - behind["load"])
            out.append(self._row(row, other, share, k, came))
        return out

    def _row(
        self, row: Row, other: Row, share: float, k: int, came: Callable[[int], Mapping[str, float]]
    ) -> Row:
        number = row["number"] + k * self.batch.together
        forms, removed = self._between(row, other, share, self.off(number))
        then = row.get("then", row)
        along = k / (row["stands"] - 1)
        error = {
            key: math.hypot(max(row["error"][key], other["error"][key]), self.left[key])
            for key in self.forms
        }
        return {
            **row,
            "number": number,
            "load": row["load"] + k,
            "lapped": 0,
            "removed": removed,
            "thicker": self.batch.part_of(self.usual, number, self.seed)[1],
            "flat_error": self.left.get("flatness", float("nan")),
            "came": came(number),
            "forms": forms,
            "error": dict.fromkeys(row["error"], float("nan")) | error,
            "plate": {
                key: size + along * (then["plate"][key] - size)
                for key, size in row["plate"].items()
            },
            **{key: row[key] + along * (then[key] - row[key]) for key in ("time", "plate_removed")},
        }

"""What a plate or part stands on, while it lies below and while it is read; and where hands press."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from math import cos, pi, sin
from typing import TYPE_CHECKING, Any

from lapwright.errors import StudyError
from lapwright.specification.curves import PLACE
from lapwright.specification.quantities import LENGTH, quantity, read_text
from lapwright.specification.rates import Reader
from lapwright.specification.said import Frozen, RefusedError, Said, refused, shown

if TYPE_CHECKING:
    from lapwright.specification.outline import Outline

BED = "flat bed"
HOW_SUPPORTS = (
    'write "flat bed", "three feet at 0.7 R", "two feet at 0.577" (of half the length), or places such as '
    '[["60 mm", "0 mm"], ["-30 mm", "52 mm"], ["-30 mm", "-52 mm"]]'
)
ACROSS = 9  # points that stand for a ridge across a bar
CLOCK = (0.5 * pi, 7.0 / 6.0 * pi, 11.0 / 6.0 * pi)  # three feet: at 12, 8 and 4 o'clock
MOST_FEET = 24
_AT = re.compile(r"(three|two|3|2) feet (?:at|on) (\d*[.,]?\d+)\s*r?", re.IGNORECASE)


@dataclass(frozen=True)
class Supports(Frozen):
    """Feet under a plate: a number of them `at` a share of its radius or half length, or `places` [m].

    `feet` 0 and no places: a flat bed, on which a plate lies as flat as it is.  Places are seen looking at
    the face.
    """

    feet: int = 0
    at: float = 0.0
    places: tuple[tuple[float, float], ...] = ()

    def under(self, outline: Outline) -> tuple[tuple[float, float], ...] | None:
        """Places of the feet [m], each as stiff as the others; None on a flat bed.

        Two feet are ridges across the longer side.

        Parameters
        ----------
        outline : Outline
            Of the plate.

        Returns
        -------
        tuple of (float, float) or None

        Raises
        ------
        RefusedError
            They do not stand under this plate, or do not hold it.

        """
        if self.places:
            feet = self.places
        elif self.feet == 3:
            reach = self.at * outline.radius
            feet = tuple((reach * cos(angle), reach * sin(angle)) for angle in CLOCK)
        elif self.feet == 2:
            if not outline.long:
                raise RefusedError(
                    "two feet are for what is longer than 1.3 : 1: take three feet, or name their places"
                )
            along, across = outline.size
            turned = across > along
            half, width = 0.5 * max(along, across) * self.at, min(along, across)
            line = [(k / (ACROSS - 1) - 0.5) * width for k in range(ACROSS)]
            ridges = [(side * half, y) for side in (-1.0, 1.0) for y in line]
            return tuple((y, x) if turned else (x, y) for x, y in ridges)
        else:
            return None
        self._hold(feet, outline)
        return feet

    def _hold(self, feet: tuple[tuple[float, float], ...], outline: Outline) -> None:
        import numpy as np

        x, y = np.array(feet).T
        if np.any(outline.signed_distance(x, y) > 1e-6):
            where = "in the bore" if outline.bore else "beyond the edge of the plate"
            raise RefusedError(f"a foot stands {where} (R is that of the circle about the outline)")
        spread = np.linalg.svd(np.stack([x - x.mean(), y - y.mean()]), compute_uv=False)
        if not spread[-1] > 0.02 * outline.smaller:
            raise RefusedError(
                "the feet stand in a line: the plate would tip; name a third beside it"
            )
        corners = np.stack([x, y], axis=1)
        if not _inside(corners):
            raise RefusedError("the middle of the plate lies outside its feet: it would tip")


def _inside(points: Any) -> bool:
    """Whether the origin lies within the hull of points: no half plane holds them all."""
    import numpy as np

    angles = np.sort(np.arctan2(points[:, 1], points[:, 0]))
    gaps = np.diff(np.append(angles, angles[0] + 2.0 * pi))
    return bool(gaps.max() < pi + 1e-9)


def _supports(value: Any) -> Supports:
    if isinstance(value, list | tuple):
        if not 3 <= len(value) <= MOST_FEET:
            raise refused(value, f"is no list of three feet or more: {HOW_SUPPORTS}", "type")
        places = []
        for one in value:
            try:
                places.append(PLACE(list(one) if isinstance(one, tuple) else one))
            except RefusedError as trouble:
                raise RefusedError(f"{trouble.message}; {HOW_SUPPORTS}", trouble.code) from None
        return Supports(places=tuple(places))
    said = read_text(value, "what a plate stands on", HOW_SUPPORTS).strip()
    if said.lower() in (BED, "bed", "flat"):
        return Supports()
    got = _AT.fullmatch(said)
    if got is None:
        raise RefusedError(f"{shown(value)} says no supports: {HOW_SUPPORTS}", "choice")
    at = float(got[2].replace(",", "."))
    if not 0.0 < at <= 1.0:
        raise RefusedError(f"{shown(value)} cannot be: a share lies between 0 and 1", "range")
    return Supports(3 if got[1].lower() in ("three", "3") else 2, at)


def _typed(supports: Supports) -> Any:
    if supports.places:
        return [[PLACE.typed(part) for part in place] for place in supports.places]
    if supports.feet == 3:
        return f"three feet at {supports.at:.12g} R"
    return f"two feet at {supports.at:.12g}" if supports.feet else BED


SUPPORTS = Reader(_supports, _typed)


def said_of_supports(supports: Supports) -> str:
    """What a plate stands on, as one would say it; nothing of a flat bed."""
    if supports.places:
        return f"{len(supports.places)} feet"
    return "" if not supports.feet else str(_typed(supports))


def _number(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0.0 < value <= 1.0:
        raise refused(value, "is no share: write a number between 0 and 1, such as 0.5", "type")
    return float(value)


@dataclass(frozen=True)
class Palm(Frozen):
    """Where a hand presses: `at` [m] from the top's centre as seen from above, on a patch of `size` [m].

    `share` of the load; None: what the others leave, in equal parts.
    """

    at: Said[tuple[float, float]] = Said(PLACE, default=(0.0, 0.0))
    size: Said[float] = Said(quantity(LENGTH, least="0 mm", most="1 m"), "80 mm")
    share: float | None = None


HOW_HANDS = 'hands = [{ at = ["75 mm", "0 mm"], size = "80 mm", share = 0.5 }]'


def _palm(value: Any) -> Palm:
    if isinstance(value, Palm):
        return value
    if not isinstance(value, Mapping):
        raise refused(value, f"is no hand: write {HOW_HANDS}", "type")
    for key in value:
        if key not in ("at", "size", "share"):
            raise RefusedError(
                f"a hand has no {shown(key)}: it has at, size and share", "unknown_key"
            )
    if "at" not in value:
        raise RefusedError(f"a hand needs the place where it presses: write {HOW_HANDS}", "missing")
    share = _number(value["share"]) if "share" in value else None
    try:
        return Palm(value["at"], value.get("size", "80 mm"), share)
    except StudyError as trouble:
        fault = trouble.faults[0]
        key = fault.key.removeprefix("Palm.")
        raise RefusedError(f"{key} of a hand: {fault.message}", fault.code) from None


def palms_of(value: Any) -> tuple[Palm, ...]:
    """Hands from a list of tables, the shares that were not said filled in.

    Raises
    ------
    RefusedError
        It is no such list, or the shares make no whole.

    """
    if not isinstance(value, list | tuple) or not 1 <= len(value) <= 8:
        raise refused(value, f"is no list of one to eight hands: write {HOW_HANDS}", "type")
    palms = [_palm(one) for one in value]
    said = sum(palm.share for palm in palms if palm.share is not None)
    open_ = sum(palm.share is None for palm in palms)
    if (open_ and not said < 1.0) or (not open_ and abs(said - 1.0) > 1e-6):
        raise RefusedError(f"the shares of the hands come to {said:.3g}: they must make 1", "value")
    rest = (1.0 - said) / open_ if open_ else 0.0
    scale = 1.0 if open_ else 1.0 / said
    return tuple(
        Palm(palm.at, palm.size, rest if palm.share is None else palm.share * scale)
        for palm in palms
    )


def _typed_palms(palms: tuple[Palm, ...]) -> list[dict[str, Any]]:
    size = quantity(LENGTH).typed
    return [
        {
            "at": [PLACE.typed(part) for part in palm.at],
            "size": size(palm.size),
            "share": palm.share,
        }
        for palm in palms
    ]


PALMS = Reader(palms_of, _typed_palms)

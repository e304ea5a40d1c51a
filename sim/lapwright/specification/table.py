"""Reads one table of a study key by key, and tells keys that nobody asked for.

Words that people write in a study, and the key or the value that they mean.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from types import MappingProxyType
from typing import Any, TypeVar

from lapwright.specification.said import (
    Faults,
    RefusedError,
    listed,
    nearest,
    refused,
    said_names,
    said_of,
    shown,
    shown_key,
)
from lapwright.units import Text

# The first of these that the table knows is meant.
_KEYS = {
    "disc": "diameter dia round circle disk od diametre",
    "ring": "annulus washer",
    "rectangle": "rect square rail bar block strip",
    "thickness": "thick height depth",
    "mass": "weight weighs kg",
    "material": "metal made_of alloy",
    "form": "shape face profile surface error",
    "dome": "convex domed",
    "dish": "concave hollow dished",
    "twist": "twisted",
    "wind": "twist warp",
    "grooves": "slots channels groove",
    "top": "upper above on_top upper_plate",
    "bottom": "lower below under lower_plate",
    "grit": "compound powder grain abrasive",
    "size": "grain grit diameter",
    "time": "minutes duration for min how_long hours",
    "turn": "rotate rotation spin turning twirl angle",
    "walk": "step_round walking",
    "pace": "speed rate rpm frequency strokes_per_minute spm",
    "load": "pressure force weight press hand_load kg",
    "swap_every": "exchange change swapping swaps change_places",
    "fresh_grit_every": "regrit recharge charge renew new_grit grit_every charge_every fresh",
    "liquid": "carrier fluid vehicle coolant lubricant wet flooded oil kerosene water lube",
    "stroke": "motion path pattern curve",
    "travel": "amplitude stroke_length",
    "length": "amplitude",
    "radius": "diameter",
    "until": "stop stop_at goal target",
    "rounds": "repeat cycles times loops",
    "title": "name heading",
    "note": "comment remark comments",
    "units": "unit system",
    "steps": "step operations",
    "plates": "plate discs disks",
    "parts": "part workpiece work",
}
_VALUES = {
    "grey iron": "cast iron|iron|gray iron|ci|grey cast iron|gray cast iron",
    "ductile iron": "sg iron|nodular iron|spheroidal iron",
    "hardened steel": "hard steel|tool steel|hss|bearing steel",
    "stainless": "stainless steel|inox",
    "steel": "mild steel|carbon steel",
    "aluminium": "aluminum|alu|alloy",
    "alumina": "ceramic|corundum|aluminium oxide|aluminum oxide",
    "silicon carbide": "sic",
    "boron carbide": "b4c",
    "carbide": "hardmetal|cemented carbide|wc",
    "carbon": "graphite|carbon graphite",
    "inch": "imperial|inches|in|us|english",
    "metric": "si|mm|millimetres|millimeters",
    "figure-eight": "eight|8|figure 8|figure-8|fig 8",
    "line": "straight|back and forth|straight line",
    "circle": "round|circular",
    "ellipse": "oval",
    "zigzag": "raster|zig-zag",
    "rough": "shaky|clumsy|bad",
    "steady": "perfect|machine|good|none",
    "usual": "normal|average|ordinary",
    "smeared": "thin|wiped|smear|paste|damp",
    "starved": "dry|none|nearly dry",
    "flooded with kerosene": "kerosene|paraffin|flooded|wet|lamp oil|flooded with paraffin|white spirit",
    "flooded with water": "water|soapy water",
    "flooded with light oil": "oil|light oil|spindle oil|flooded with oil|honing oil|mineral oil",
    "rings": "concentric|circles",
    "square": "grid|crossed",
    "radial": "spokes|rays",
}


def key_meant(word: str, known: Iterable[str]) -> str | None:
    """The key, of those known in a table, that somebody meant; None when that cannot be told."""
    known = list(known)
    plain = word.strip().lower().replace("-", "_").replace(" ", "_")
    said = next(
        (key for key, ways in _KEYS.items() if key in known and plain in ways.split()), None
    )
    return said or nearest(word, known)


def value_meant(word: str, known: Iterable[str]) -> str | None:
    """The value, of those that can be, that somebody meant; None when that cannot be told."""
    known = list(known)
    plain = word.strip().lower()
    said = next(
        (value for value, ways in _VALUES.items() if value in known and plain in ways.split("|")),
        None,
    )
    return said or nearest(word, known)


T = TypeVar("T")


class Table:
    """One table `data` found at `key`; what is taken from it is checked, the rest is unknown."""

    def __init__(
        self,
        faults: Faults,
        key: str,
        data: Mapping[str, Any],
        assumed: dict[str, str] | None = None,
    ) -> None:
        self.faults = faults
        self.assumed = (
            {} if assumed is None else assumed
        )  # defaults that were taken, by key, as typed
        self.key = key
        self.data = data
        self.known: set[str] = set()

    def place(self, name: str) -> str:
        """The whole key of one entry."""
        return f"{self.key}.{shown_key(name)}" if self.key else shown_key(name)

    def fault(self, name: str, message: str | Text, code: str = "value") -> None:
        """Note a fault of one entry ("" for the table itself)."""
        self.faults.add(self.place(name) if name else self.key, message, code)

    def has(self, name: str) -> bool:
        """Whether the entry is there; it counts as known."""
        self.known.add(name)
        return name in self.data

    def take(self, name: str, reader: Callable[[Any], T]) -> T | None:
        """The entry as `reader` reads it; None when it is missing or at fault (which is noted)."""
        if not self.has(name):
            return None
        try:
            return reader(self.data[name])
        except RefusedError as trouble:
            self.fault(name, trouble.message, trouble.code)
        return None

    def need(self, name: str, reader: Callable[[Any], T], how: str) -> T | None:
        """Like `take`, but a missing entry is a fault; `how` says what to write."""
        if not self.has(name):
            self.fault(name, f"is missing: write {how}", "missing")
            return None
        return self.take(name, reader)

    def table(self, name: str, how: str) -> Table | None:
        """The entry as a table of its own; `how` says what to write instead of anything else."""
        if not self.has(name):
            return None
        value = self.data[name]
        if not isinstance(value, dict):
            self.fault(name, f"{shown(value)} is not a table: write {how}", "type")
            return None
        return Table(self.faults, self.place(name), value, self.assumed)

    def said(self, of: type, name: str, key: str = "") -> Any:
        """The entry as the field `name` of a class reads it; None when it is missing or at fault."""
        return self.take(key or name, said_of(of, name).reader)

    def parts(self, of: type, names: Iterable[str] = ()) -> dict[str, Any]:
        """Every entry that is a field of a class (or one of `names` of it), where it is there and sound."""
        found = {name: self.said(of, name) for name in names or said_names(of)}
        return {name: value for name, value in found.items() if value is not None}

    def assume(self, of: type, **keys: str) -> None:
        """Note what is usual for fields that were left out: `field="key in the file"`."""
        for name, key in keys.items():
            if not self.has(key):
                self.assumed[self.place(key)] = said_of(of, name).usual

    def one_of(self, names: Sequence[str], how: str, *, needed: bool = True) -> str | None:
        """Which one of several entries is there; none (if needed) or several is a fault."""
        there = [name for name in names if self.has(name)]
        if len(there) == 1:
            return there[0]
        if there:
            self.fault(
                "", f"has {listed(there, 'and')} together: write only one; {how}", "conflict"
            )
        elif needed:
            self.fault("", f"needs one of {listed(names)}: {how}", "missing")
        return None

    def done(self, also: Iterable[str] = ()) -> None:
        """Note every entry that nobody asked for, with the nearest that may be meant."""
        names = sorted(self.known)
        for name in self.data:
            if name in self.known:
                continue
            if self.faults.full:
                self.faults.untold += 1
                continue
            close = key_meant(name, [*names, *also])
            hint = (
                f"did you mean {close}?"
                if close
                else f"known here: {listed(names, 'and', most=30)}"
            )
            self.fault(name, f"unknown key: {hint}", "unknown_key")


def text(value: Any) -> str:
    """A free text, such as a note or a title."""
    if not isinstance(value, str):
        raise refused(value, "is not text: write it between straight quotes", "type")
    if len(value) > 10_000:
        raise RefusedError("is too long: 10000 letters are the most", "value")
    return value


def boolean(value: Any) -> bool:
    """Yes or no."""
    if not isinstance(value, bool):
        raise refused(value, "is neither true nor false: write true or false, no quotes", "type")
    return value


def whole(low: int, high: int, what: str) -> Callable[[Any], int]:
    """A reader of whole numbers within limits."""

    def reader(value: Any) -> int:
        if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
            value = int(value)
        if isinstance(value, bool) or not isinstance(value, int):
            raise refused(value, f"is not a whole number: write {what} such as {low}", "type")
        if not low <= value <= high:
            raise refused(value, f"cannot be: {what} lies between {low} and {high}", "range")
        return value

    return reader


def pure_number(low: float, high: float, what: str) -> Callable[[Any], float]:
    """A reader of numbers that have no unit, typed with or without quotes."""

    def reader(value: Any) -> float:
        if isinstance(value, str):
            try:
                value = float(value)
            except ValueError:
                raise refused(value, f"is not a number: write {what}, no unit", "type") from None
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            raise refused(value, f"is not a number: write {what}, no unit", "type")
        # Written so that a number that is none fails.
        if not low <= value <= high:
            raise refused(value, f"cannot be: {what} lies between {low:g} and {high:g}", "range")
        return float(value)

    return reader


def choice(
    words: Collection[str], what: str, also: Mapping[str, str] = MappingProxyType({})
) -> Callable[[Any], str]:
    """A reader of one of a few words, or of what is `also` said for one; capitals are forgiven."""

    def reader(value: Any) -> str:
        if isinstance(value, str):
            if (said := value.strip().lower()) in also:
                return also[said]
            for word in words:
                if value.strip().lower() == word.lower():
                    return word
        close = value_meant(value, words) if isinstance(value, str) else None
        hint = f"did you mean {shown(close)}? " if close else ""
        raise refused(value, f"is not {what}: {hint}write {listed(map(shown, words))}", "choice")

    return reader


def mapping_of(value: Any, how: str) -> dict[str, Any]:
    """A table, or a refusal that says how to write it."""
    if not isinstance(value, dict):
        raise refused(value, f"is not a table: write {how}", "type")
    return value

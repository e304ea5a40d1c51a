"""Words that people write in a study, and the key or the value that they mean."""

from __future__ import annotations

from collections.abc import Iterable

from lapwright.study.faults import nearest

__all__ = ["key_meant", "value_meant"]

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
    "grit": "abrasive compound powder grain",
    "size": "grain grit diameter",
    "time": "minutes duration for min how_long hours",
    "turn": "rotate rotation spin turning twirl angle",
    "walk": "step_round walking",
    "pace": "speed rate rpm frequency strokes_per_minute spm",
    "load": "pressure force weight press hand_load kg",
    "swap_every": "exchange change swapping swaps change_places",
    "fresh_grit_every": "regrit recharge charge renew new_grit grit_every charge_every fresh",
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
    "alumina": "ceramic|corundum",
    "carbide": "tungsten carbide|hardmetal|wc",
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
    "rings": "concentric|circles",
    "square": "grid|crossed",
    "radial": "spokes|rays",
}


def key_meant(word: str, known: Iterable[str]) -> str | None:
    """The key, of those known in a table, that somebody meant; None when that cannot be told."""
    known = list(known)
    plain = word.strip().lower().replace("-", "_").replace(" ", "_")
    said = next((key for key, ways in _KEYS.items() if key in known and plain in ways.split()), None)
    return said or nearest(word, known)


def value_meant(word: str, known: Iterable[str]) -> str | None:
    """The value, of those that can be, that somebody meant; None when that cannot be told."""
    known = list(known)
    plain = word.strip().lower()
    said = next(
        (value for value, ways in _VALUES.items() if value in known and plain in ways.split("|")), None
    )
    return said or nearest(word, known)

"""What is done: one step of a study, in SI units, ready to be lapped; and what is usual.

Everything here is frozen data.  Lengths in m, times in s, angles in rad, forces in N, pressures in Pa, wear
constants in 1/Pa (metres lost per metre of rubbing and pascal).
A `Stroke` is one as a person says it, which the plates have yet to size; what it comes to lives in `curves`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lapwright.specification.curves import ALSO, KINDS, PLACE, TURNED, Curve, size_names
from lapwright.specification.materials import ABRASIVES, LIQUID, quickness
from lapwright.specification.quantities import (
    ANGLE,
    DIFFERENCE,
    FORCE,
    LENGTH,
    MASS,
    PRESSURE,
    SMALL,
    TIME,
    find,
    plain,
    quantity,
    read_share,
    take_apart,
)
from lapwright.specification.rates import (
    ASKED_SIZE,
    GRAIN,
    PACE,
    WEAR,
    Reader,
    grain_name,
    read_turn,
    share_within,
    typed_share,
    typed_turn,
)
from lapwright.specification.said import (
    Frozen,
    RefusedError,
    Said,
    Size,
    each,
    made,
    no_such,
    refused,
    said_names,
    said_of,
    spelled,
)
from lapwright.specification.supports import PALMS, Palm, palms_of
from lapwright.specification.table import choice, pure_number, whole
from lapwright.specification.wedge import SHAPE, THICKNESSES, WEDGES

# Common practice, no source; the wear is known to a band of ten in all (model).
WEAR_PER_SIZE = 0.16e-12 / 1e-6  # [1/Pa per m of grit size], grey iron on grey iron
DEPTH_PER_SIZE = 0.05  # of the layer, at its usual pressure
EMBEDDED_SHARE = 0.1  # a plate that holds the grit wears a tenth (model)
LIMIT = 4.0 * 3600.0  # [s] the most of a step that ends by a gauge, if nothing else is said

# What the hand's words mean: a share s of the stroke's amplitude and of its pace, s radians of its direction
# (10 % is 5.7 degrees), s of half the travel for its centre; it drifts over about five strokes.
HANDS = {"steady": 0.0, "usual": 0.10, "rough": 0.25}
MEMORY = 5.0

EVERY = quantity(TIME, above="0 s", most="1000 h")
COARSE = 0.1  # [m] a unit from here on ("5 m") is no depth of metal, but minutes mistyped
LASTS = quantity(TIME, least="1 s", most="1000 h")
WARMTH = quantity(DIFFERENCE, least="-100 K", most="100 K")
FRAMES = ("hand", "top", "bench")


def strokes_in(time: float, pace: float) -> int:
    """Whole strokes nearest to a `time` [s] at a `pace` [strokes/s], at least one."""
    return max(1, round(time * pace))


@dataclass(frozen=True)
class Layer(Frozen):
    """The grit layer: it gives by `depth` [m] under `pressure` [Pa]."""

    depth: Said[float] = Said(quantity(SMALL, least="1 nm", most="1 mm"))
    pressure: Said[float] = Said(quantity(PRESSURE, least="1 Pa", most="10 MPa"), "3 kPa")

    @property
    def stiffness(self) -> float:
        """Pressure per interference [Pa/m]."""
        return self.pressure / self.depth


def usual_layer(size: float, pressure: Any = None) -> Layer:
    """The usual layer of a grain [m]; at another pressure [Pa] as stiff as usual."""
    usual = Layer(float(f"{DEPTH_PER_SIZE * size:.12g}"))
    if pressure is None:
        return usual
    said = Layer(usual.depth, pressure)
    return Layer(DEPTH_PER_SIZE * size * said.pressure / usual.pressure, said.pressure)


@dataclass(frozen=True)
class Observation(Frozen):
    """Metal seen to go: `removed` [m] or `lost` [kg] in `time` [s]; of `plate`, or the mean of both."""

    time: Said[float] = Said(LASTS)
    removed: Said[float | None] = Said(SHAPE, default=None)
    lost: Said[float | None] = Said(quantity(MASS, above="0 g", most="10 kg"), default=None)
    plate: str | None = None


@dataclass(frozen=True)
class Wear(Frozen):
    """The wear constant of a grit, in one of three forms.

    `iron` [1/Pa] is for grey iron and each plate's material factor applies to it;
    `plates` [1/Pa] are final for the plates named, the others follow by material from the first;
    `observed` is turned into a constant by the engine.
    """

    iron: Said[float | None] = Said(WEAR, default=None)
    plates: Said[Mapping[str, float]] = Said(each(WEAR), default=dict)
    observed: Said[Observation | None] = Said(made(Observation), default=None)


def usual_wear(size: float, abrasive: str | None = None) -> Wear:
    """The usual wear of a grain [m], of a kind of abrasive where one is named."""
    return Wear(float(f"{WEAR_PER_SIZE * size * quickness(abrasive):.12g}"))


def wear_of(value: Any) -> Wear:
    """The wear of a grit as a study says it: a constant, one for each plate, or what was seen to go."""
    if not isinstance(value, Mapping):
        return Wear(WEAR(value))
    if not set(value) <= {"removed", "lost", "in", "plate"}:
        return Wear(plates=value)
    observed = {"time" if key == "in" else key: one for key, one in value.items()}
    return Wear(observed=made(Observation)(observed))


def _fade(value: Any) -> float | None:
    return None if value == "none" else LASTS(value)


WITHIN = pure_number(1.0, 100.0, "to how many times or divided by the wear is known")


@dataclass(frozen=True)
class Grit(Frozen):
    """A grit: `size` [m], wear, layer, `fade` [s] (None: does not fade), `held_in` a plate or None.

    `wear_within`: its wear is known to times or divided by this (95 in 100); None: a guess.
    `abrasive`: its kind, which says what it cuts at all; None: not named, and taken as one that cuts both.
    Without a size its name says it, such as "15 um" or "F400"; wear and layer are then usual for the size.
    `held`, as in a study: "loose" or {"in": "B"}.
    """

    name: str
    size: Said[float] = Said(GRAIN)
    wear: Said[Wear] = Said(wear_of)
    layer: Said[Layer] = Said(made(Layer))
    fade: Said[float | None] = Said(Reader(_fade, LASTS.typed), "none")
    held_in: Said[str | None] = Said(str, "loose", None)
    wear_within: Said[float | None] = Said(WITHIN, default=None)
    abrasive: Said[str | None] = Said(choice(ABRASIVES, "a kind of abrasive"), default=None)

    def __init__(
        self,
        name: str = "",
        size: Size | None = None,
        wear: Wear | Size | Mapping[str, Any] | None = None,
        layer: Layer | Mapping[str, Any] | None = None,
        fade: Size | None = None,
        held_in: str | None = None,
        wear_within: float | None = None,
        abrasive: str | None = None,
        *,
        held: str | Mapping[str, str] | None = None,
    ) -> None:
        self._put(size=name if size is None else size)
        given = name and size is not None
        self._put(name=name if given else grain_name(str(size or name), self.size))
        if isinstance(layer, Mapping) and "depth" not in layer:
            layer = usual_layer(self.size, layer.get("pressure"))
        if isinstance(wear, float):
            wear = Wear(wear)
        self._put(abrasive=abrasive)
        self._put(
            wear=usual_wear(self.size, self.abrasive) if wear is None else wear,
            layer=usual_layer(self.size) if layer is None else layer,
            fade=fade,
            held_in=held["in"] if isinstance(held, Mapping) else held_in,
            wear_within=wear_within,
        )


def grit_of(value: Any) -> Grit:
    """A grit by its size or number, or by all that it takes."""
    return made(Grit)(value) if isinstance(value, Mapping) else Grit(size=value)


@dataclass(frozen=True)
class Turn(Frozen):
    """A turn by `angle` [rad] per stroke (`every` = 0), or at once after each `every` strokes."""

    angle: Said[float] = Said(quantity(ANGLE), default=0.0)
    every: int = 0

    @property
    def indexed(self) -> bool:
        """True when the top is lifted and set down turned."""
        return self.every > 0


def _turn(value: Any) -> Turn:
    return Turn(*read_turn(value))


TURN = Reader(_turn, lambda turn: typed_turn(turn.angle, turn.every))


@dataclass(frozen=True)
class Load(Frozen):
    """The hand: `force` [N] beside the top's weight, acting at `at` [m] from the top's centre.

    `fixed_to` says what the point turns with: "hand" (alpha), "top" (theta) or "bench" (nothing).
    `push_height` [m] above the faces and `friction` give the moment that digs in the leading edge.
    `hands`: the patches on which it presses, which say where it acts; none: spread over the whole top.
    """

    force: Said[float] = Said(quantity(FORCE, least="0 N", most="20000 N"), "0 N")
    at: Said[tuple[float, float]] = Said(PLACE, default=(0.0, 0.0))
    fixed_to: Said[str] = Said(choice(FRAMES, "what the point is fixed to"), "hand")
    push_height: Said[float] = Said(quantity(LENGTH, least="0 mm", most="1 m"), default=0.0)
    friction: Said[float] = Said(pure_number(0.0, 2.0, "the friction between the faces"), "0.15")
    hands: Said[tuple[Palm, ...]] = Said(PALMS, default=())

    def __post_init__(self) -> None:
        if self.hands:
            x, y = (sum((p.share or 0.0) * p.at[k] for p in self.hands) for k in (0, 1))
            self._put(at=(x, y))


def load_of(value: Any) -> Load:
    """A load by its force alone, or by all that it takes."""
    return made(Load)(value) if isinstance(value, Mapping) else Load(value)


@dataclass(frozen=True)
class Swap(Frozen):
    """When plates change places: by time, by metal or by readings, one of the three.

    `on_top` [s] for each plate; a reading every `read` [s]; or `removed` [m] for each: it stays on top until
    so much is off, the mean of both faces since they last changed places (since the step began).
    """

    on_top: Said[Mapping[str, float]] = Said(each(EVERY), default=dict)
    read: Said[float | None] = Said(EVERY, default=None)
    removed: Said[Mapping[str, float]] = Said(each(SHAPE), default=dict)

    @property
    def even(self) -> bool:
        """True when both stay on top as long, or for as much metal."""
        return self.read is None and len({*self.on_top.values(), *self.removed.values()}) == 1

    @property
    def stays(self) -> Mapping[str, float]:
        """What ends the stay of each plate on top: [s], or of metal [m]; empty where readings do."""
        return self.removed or self.on_top


def in_metal(value: Any) -> bool:
    """Whether a text says how deep, not how long: "0.4 um" off both faces, the mean of them."""
    apart = take_apart(plain(value)) if isinstance(value, str) else None
    size = None if apart is None else find(apart[1], SMALL.units)
    return size is not None and size < COARSE


@dataclass(frozen=True)
class Until(Frozen):
    """Stop by gauge [m]; None means not asked. `removed` at or above, the others at or below.

    `thickness` (the mean) and `wedge` by plate; one without a name, of the smaller plate.
    """

    difference: Said[float | None] = Said(ASKED_SIZE, default=None)
    flatness: Said[float | None] = Said(ASKED_SIZE, default=None)
    twist: Said[float | None] = Said(ASKED_SIZE, default=None)
    mating: Said[float | None] = Said(ASKED_SIZE, default=None)
    removed: Said[float | None] = Said(SHAPE, default=None)
    thickness: Said[Mapping[str, float]] = Said(THICKNESSES, default=dict)
    wedge: Said[Mapping[str, float]] = Said(WEDGES, default=dict)


SCATTER = share_within(0.0, 0.5, "a scatter")


@dataclass(frozen=True)
class Hand(Frozen):
    """Seeded scatter, as standard deviations.

    `amplitude` and `pace` as shares, `centre` [m], `direction` [rad]; `memory` in strokes (0: each stroke is
    independent).  `word` "usual" or "rough": the sizes follow from the stroke once plates have sized it.
    """

    amplitude: Said[float] = Said(SCATTER, default=0.0)
    centre: Said[float] = Said(quantity(LENGTH, least="0 mm", most="0.5 m"), default=0.0)
    direction: Said[float] = Said(quantity(ANGLE, least="0 deg", most="90 deg"), default=0.0)
    pace: Said[float] = Said(SCATTER, default=0.0)
    memory: Said[float] = Said(
        pure_number(0.0, 1e5, "how many strokes the hand's drift lasts"), default=0.0
    )
    word: str = ""

    @property
    def steady(self) -> bool:
        """True when nothing scatters."""
        return self.amplitude == self.centre == self.direction == self.pace == 0.0

    def sized(self, half: float) -> Hand:
        """The hand of a stroke with `half` a travel [m].

        Parameters
        ----------
        half : float
            Half the travel of the stroke [m].

        Returns
        -------
        Hand
            With numbers in place of its word.

        """
        share = HANDS.get(self.word, 0.0)
        return Hand(share, share * half, share, share, MEMORY) if share else replace(self, word="")


def hand_of(value: Any) -> Hand:
    """A hand by a word, or by its scatters."""
    if isinstance(value, Mapping):
        return made(Hand)(value)
    word = choice(tuple(HANDS), "a hand")(value)
    return Hand(word=word) if HANDS[word] else Hand()


TRAVEL = 1.0 / 3.0  # of the top
_length = quantity(LENGTH, least="-2 m", most="2 m")
Overhang = tuple[bool, float]  # whether it is a length, and its size [m] or share


def _travel(value: Any) -> float:
    share = read_share(value)
    if not 0.0 < share <= 2.0:
        raise refused(
            value,
            'cannot be: travel is a share of the top, such as "1/3" or "33 %", 200 % at most',
            "range",
        )
    return share


def _overhang(value: Any) -> Overhang:
    """Whether an overhang is a length, and its size: a share of the top's width, or m."""
    how = 'write a share of the top, such as "17 %", or a length, such as "27 mm"'
    try:
        share = read_share(value)
    except RefusedError as trouble:
        if trouble.code != "unit":
            raise RefusedError(f"{trouble.message}; {how}", trouble.code) from None
        try:
            return True, _length(value)
        except RefusedError as second:
            if second.code == "range":
                raise
            raise refused(value, f"is no overhang: {how}", second.code) from None
    if not -1.0 < share < 0.5:
        raise refused(value, f"cannot be: from 50 % on every top tips off; {how}", "range")
    return False, share


def _typed_overhang(overhang: Overhang) -> str:
    by_length, size = overhang
    return _length.typed(size) if by_length else typed_share(size)


def _sizes(value: Mapping[str, Any]) -> dict[str, Any]:
    """Sizes of any kind of stroke by name, read as the kind that has them does."""
    known = size_names()
    takes = [*said_names(Stroke)[:-1], *known]
    for name in value:
        if name not in known:
            raise no_such("Stroke", name, takes)
    read = {name: said_of(known[name], name).taken("Stroke", one) for name, one in value.items()}
    return {name: one for name, one in read.items() if one is not None}


@dataclass(frozen=True)
class Stroke(Frozen, Curve):
    """A stroke that the plates have yet to size: its kind, one size, and what more belongs to the kind.

    `travel` (a share of the top's width) or `overhang` (a share, or a length), or among its `sizes` by name
    that which sizes the kind; with none of them, the usual travel.
    """

    kind: Said[str] = Said(choice(KINDS, "a kind of stroke", ALSO), "figure-eight")  # type: ignore[misc]
    travel: Said[float | None] = Said(Reader(_travel, typed_share), "1/3", None, bare=False)
    overhang: Said[Overhang | None] = Said(
        Reader(_overhang, _typed_overhang), default=None, bare=False
    )
    sizes: Said[dict[str, Any]] = Said(_sizes, default=dict)

    def position(self, phi: NDArray[np.float64]) -> NDArray[np.float64]:
        """None yet.

        Raises
        ------
        ValueError
            Always.

        """
        raise ValueError("a stroke has no size before a Study has sized it by its plates")

    velocity = position

    @property
    def said(self) -> dict[str, Any]:
        """As a study file has it."""
        known, sizes = size_names(), {}
        for name, one in self.sizes.items():
            sizes[name] = getattr(said_of(known[name], name).reader, "typed", lambda x: x)(one)
        over = {} if self.overhang is None else {"overhang": _typed_overhang(self.overhang)}
        return spelled(self, "kind", "travel") | sizes | over


def stroke_said(value: Any) -> Stroke:
    """A stroke from a table of what a study file has in it."""
    if not isinstance(value, Mapping):
        raise refused(value, "is neither Stroke nor a table of what it takes", "type")
    whole_of = ("kind", "travel", "overhang")
    sizes = {name: one for name, one in value.items() if name not in whole_of}
    return Stroke(**{name: one for name, one in value.items() if name in whole_of}, sizes=sizes)


@dataclass(frozen=True)
class Step(Frozen):
    """One step of the schedule.

    `pace` [strokes/s]; exactly one of `time` [s] and `strokes`, which with an `until` is the most allowed.
    What a study file calls otherwise is taken under that name too, and stands in the place of the field:
    `stroke` (a curve, or a table with its kind, size, direction and centre), `turn_bottom`, `load_at`,
    `push_height`, `friction`, `hands`, `swap_every`, `fresh_grit_every`.
    `warm` [K]: by how much the face of a plate is warmer than its back.  `bends`: whether the bodies are
    taken as bending; a study decides (`lapwright.study.bends`).
    `offset` [m]: where the top's middle lies from that of what takes it round, seen from above at theta = 0;
    a batch says (`lapwright.specification.batch`).
    `liquid`, of `materials.LIQUIDS`: whether it fills the gap; warned of, it changes nothing that is lapped.
    """

    top: str
    bottom: str
    grit: Grit
    curve: Said[Curve] = Said(
        stroke_said, "figure-eight, travel 1/3 of the top, half as wide as long", Stroke()
    )
    direction: Said[float] = Said(TURNED, default=0.0)
    centre: Said[tuple[float, float]] = Said(PLACE, default=(0.0, 0.0))
    carry_centre: bool = False
    pace: Said[float] = Said(PACE, "40 /min")
    turn: Said[Turn] = Said(TURN, "none")
    walk: Said[Turn] = Said(TURN, default=Turn())
    load: Said[Load] = Said(load_of, default=Load())
    swap: Swap | None = None
    fresh_every: Said[float | None] = Said(EVERY, "one dab of grit", None)
    hand: Said[Hand] = Said(hand_of, "steady")
    liquid: Said[str] = Said(LIQUID, "smeared")
    time: Said[float | None] = Said(EVERY, default=None)
    strokes: Said[int | None] = Said(whole(1, 10**9, "a number of strokes"), default=None)
    until: Said[Until | None] = Said(made(Until), default=None)
    warm: Said[Mapping[str, float]] = Said(each(WARMTH), default=dict)
    bends: bool = False
    offset: tuple[float, float] = (0.0, 0.0)
    note: str = ""

    def __init__(
        self,
        top: str,
        bottom: str,
        grit: Grit | Size | Mapping[str, Any],
        curve: Curve | None = None,
        direction: Size = 0.0,
        centre: tuple[Size, Size] = (0.0, 0.0),
        carry_centre: bool = False,
        pace: Size | None = None,
        turn: Turn | Size = Turn(),
        walk: Turn | Size = Turn(),
        load: Load | Size | Mapping[str, Any] = Load(),
        swap: Swap | None = None,
        fresh_every: Size | None = None,
        hand: Hand | str | Mapping[str, Any] = Hand(),
        time: Size | None = None,
        strokes: int | None = None,
        until: Until | Mapping[str, Size] | None = None,
        warm: Mapping[str, Size] | None = None,
        bends: bool = False,
        offset: tuple[float, float] = (0.0, 0.0),
        note: str = "",
        *,
        stroke: Curve | Mapping[str, Any] | None = None,
        turn_bottom: Turn | Size | None = None,
        load_at: Mapping[str, Size] | None = None,
        push_height: Size | None = None,
        friction: float | None = None,
        hands: Sequence[Palm | Mapping[str, Any]] | None = None,
        swap_every: Swap | Size | Mapping[str, Any] | None = None,
        fresh_grit_every: Size | None = None,
        liquid: str = "smeared",
    ) -> None:
        if isinstance(stroke, Mapping):
            own = {key: one for key, one in stroke.items() if key not in LIES}
            direction, centre = stroke.get("direction", direction), stroke.get("centre", centre)
            carry_centre = stroke.get("carry_centre", carry_centre)
            stroke = stroke_said(own)
        self._put(top=top, bottom=bottom, note=note, liquid=liquid, offset=offset)
        self._put(grit=grit if isinstance(grit, Grit) else grit_of(grit))
        self._put(curve=stroke or curve or Stroke(), direction=direction, centre=centre)
        self._put(turn=_turned(turn), walk=_turned(walk), carry_centre=carry_centre)
        if turn_bottom is not None:
            under = _turned(turn_bottom)
            self._put(walk=Turn(-under.angle, under.every), carry_centre=True)
        self._put(load=load if isinstance(load, Load) else load_of(load))
        at = {} if load_at is None else dict(load_at)
        place = {"at": (at.pop("x", 0.0), at.pop("y", 0.0)), **at} if load_at is not None else {}
        pressed = None if hands is None else palms_of(hands)
        more = place | {"push_height": push_height, "friction": friction, "hands": pressed}
        changes = {key: one for key, one in more.items() if one is not None}
        self._put(load=self.load.replace(**changes) if changes else self.load)
        self._put(swap=swap if swap_every is None else _swap_of(swap_every, top, bottom))
        fresh = fresh_every if fresh_grit_every is None else fresh_grit_every
        usual = type(self).__dict__["pace"].usual
        self._put(fresh_every=fresh, hand=hand, pace=PACE(usual) if pace is None else pace)
        self._put(time=time, strokes=strokes, until=until, warm=warm or {}, bends=bends)

    def replace(self, **changes: Any) -> Step:
        """A copy with some keys changed, said as in the constructor; a load alone leaves where it acts.

        Parameters
        ----------
        **changes
            Keys by name; text with a unit, or a number in SI.

        Returns
        -------
        Step

        Raises
        ------
        StudyError
            No such key, or a value that it cannot have.

        """
        load = changes.get("load")
        if load is not None and not isinstance(load, Load | Mapping):
            changes["load"] = self.load.replace(force=load)
        return super().replace(**changes)

    @property
    def total_strokes(self) -> int:
        """Whole strokes of this step (the most, if there is an `until`)."""
        if self.strokes is not None:
            return self.strokes
        if self.time is not None:
            return strokes_in(self.time, self.pace)
        raise ValueError("a step needs time or strokes")


LIES = ("direction", "centre", "carry_centre")


def _turned(value: Turn | Size) -> Turn:
    return value if isinstance(value, Turn) else (TURN if isinstance(value, str) else Turn)(value)


def _swap_of(value: Swap | Size | Mapping[str, Any], top: str, bottom: str) -> Swap:
    """Swaps in any way of saying them."""
    if isinstance(value, Swap):
        return value
    if isinstance(value, Mapping) and "read" in value and "read" not in (top, bottom):
        return Swap(read=value["read"])
    stays = value if isinstance(value, Mapping) else {top: value, bottom: value}
    return Swap(removed=stays) if all(map(in_metal, stays.values())) else Swap(stays)

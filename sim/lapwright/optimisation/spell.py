"""One spell at the bench, lapped for every member of what is known.

Every member is lapped with true contact, all of them at once under one motion: what may lift, lifts. The
shapes of `basis` are carried through the time instead of cells; in every pose the layer pushes where faces
are squeezed and nowhere pulls, the top settles, and the wear is projected back on the shapes; where none
lifts this is the flow of `operator`. All share poses and contact points, which is why a crowd of some
hundreds costs no more than a few runs of the engine (`docs/book.md` shows how near it comes). Its cloud is
carried along as if all land bore (`flow`), and by what is learnt from how all members ended otherwise. No
model is right: each form may end off by `DISCREPANCY` of its change and a hundredth of the metal. Settled:
`lap_shops` is what members, hidden shops and rollouts are lapped by.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from math import hypot, pi, radians
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lapwright.contact.liquid import film_of
from lapwright.kinematics.motion import Motion
from lapwright.kinematics.schedule import cut_of, kappa, settled, stays
from lapwright.limits import limit_of
from lapwright.modal.basis import PLANES
from lapwright.optimisation.crowd import FINENESS, Crowd, crowd_of
from lapwright.optimisation.flow import Flows, flows_of, linear
from lapwright.optimisation.shop import DAY, Knowledge, Layout, slopes
from lapwright.specification.materials import ABRASIVES, cut_left, holds_grit, quickness
from lapwright.specification.outline import Outline
from lapwright.specification.plate import Plate
from lapwright.specification.step import Grit, Hand, Step, Turn
from lapwright.units import METRIC

Array = NDArray[np.float64]
Ints = NDArray[np.intp]

POSES = 10  # of a stroke
MEMBERS = 384  # that a spell is lapped for
DISCREPANCY = 0.1  # of the change of each form
OF_METAL = 0.01  # of the metal removed, in each form
FINER_SHARE = 0.25  # of that, in all finer shapes together
HANDS = (
    0.05,
    0.1,
    0.1,
    0.2,
)  # scatter of hands that a study says nothing of ("steady" 0, "rough" 0.25)
MEMORY = 5.0  # strokes
OF_A_KIND = 3  # spells of one kind of hand: no two scatter alike, and nobody knows which it was
TURNS = (Turn(radians(8.0)), Turn(radians(90.0), 10))
CROSSWISE = 2.0  # times as long as wide: a longer top is not set over by a quarter turn
MUCH_LARGER = 1.25  # across: such a plate never goes on top of the other
STREAM = 0x7370656C  # sets these random numbers apart from others with the same seed


@dataclass
class Spell:
    """One step, really done, with plates of a layout; `key`: what its random numbers are made from.

    `any_hand`: the study says nothing of the hand.  `beside`: tops like this one that lap the bottom at the
    same time, itself counted.  `tops`: faces of a layout that lie there under one weight, and `places` [m] of
    these and of others like them, from its middle.  `fineness` of contact points: what bears ends within the
    overlap, where no Gauss point stands.  Crowds once laid are kept.
    """

    layout: Layout
    step: Step
    key: tuple[int, ...]
    any_hand: bool = False
    threads: int = 1
    beside: int = 1
    tops: tuple[str, ...] = ()
    places: tuple[tuple[float, float], ...] = ()
    fineness: float = FINENESS

    def __post_init__(self) -> None:
        self._crowds: dict[tuple[int, int, int], Crowd] = {}
        self._motions: dict[int, Motion] = {}
        self._flows: dict[tuple[float, ...], Flows] = {}
        self.step = replace(self.step, grit=settled(self.step.grit, self.layout.plates))

    def with_same_motion(self, **changes: Any) -> Spell:
        """Other plates on top, or another grit that tires alike; what was laid for one serves both."""
        other = replace(self, step=replace(self.step, **changes))
        other._crowds, other._motions = self._crowds, self._motions
        return other

    @property
    def hands(self) -> int:
        """How many hands are told apart: of every kind several, each with a scatter of its own."""
        steady = self.step.hand.steady and not self.any_hand
        return 1 if steady else OF_A_KIND * len(HANDS)

    def motion(self, hand: int) -> Motion:
        """How one of the hands moves the top."""
        if hand not in self._motions:
            step = self.step
            if self.any_hand:
                share = HANDS[hand % len(HANDS)]
                scatter = Hand(share, share * step.curve.half_travel, share, share, MEMORY)
                step = replace(step, hand=scatter)
            self._motions[hand] = Motion(step, (*self.key, hand))
        return self._motions[hand]

    def crowd(self, top: str, bottom: str, hand: int) -> Crowd:
        """One plate on the other; plates of the same face have one basis, and what was laid serves both."""
        below, above = self.layout.bases[bottom], self.layout.bases[top]
        key = (id(below), id(above), hand)
        if key not in self._crowds:
            motion = self.motion(hand)
            under = [Motion(replace(motion.step, offset=at), motion.key) for at in self.places]
            self._crowds[key] = crowd_of(below, above, motion, POSES, under, self.fineness)
        return self._crowds[key]

    def flows_of(self, top: str, bottom: str, hand: int = 0) -> Flows:
        """What the pair does to its shapes while all land bears, by one of its hands."""
        crowd = self.crowd(top, bottom, hand)
        low, high = kappa(self.step.grit, *(self.layout.plates[n] for n in (bottom, top)))
        key = id(crowd), low, high  # one crowd serves plates of the same face and other metal
        if key not in self._flows:
            stiffness = self.step.grit.layer.stiffness
            self._flows[key] = flows_of(crowd, stiffness, (self.beside * low, high))
        return self._flows[key]

    def bearing(self, top: str, bottom: str, hand: int) -> Callable[[], Flows] | None:
        """By what pairs go on once all land bears; None where tops lie there as one body."""
        alone = not self.places and len(self.tops) < 2
        return partial(self.flows_of, top, bottom, hand) if alone else None

    def after(self, known: Knowledge) -> Knowledge:
        """What is known after the spell, before anything is read."""
        rng = np.random.default_rng([*self.key, STREAM])
        before = known.members(rng, MEMBERS)
        ended, jump = self.flow(before)
        names = self.step.bottom, self.step.top
        spread = discrepancy(self.layout, self.step, before.mean, ended)
        moved = moved_by(self.layout, names)
        spread[:, moved[:, None], moved] += self._luck(before, ended[:, moved], moved)
        carried = jump @ before.cloud
        cloud = carried @ jump.transpose(0, 2, 1) + spread
        after = Knowledge(before.weight, ended, cloud, before.hand)
        here, there = before.mean - before.centre, ended - after.centre
        link = np.einsum("m,mde->ed", before.weight, carried)
        return replace(after, link=link + (before.weight[:, None] * here).T @ there)

    def flow(self, before: Knowledge) -> tuple[Array, Array]:
        """Where members end (m, size), and how that goes with where they begin (m, size, size)."""
        ended = self.lap(before.mean, before.hand)
        names = self.step.bottom, self.step.top
        level, jump = linear(self, before.mean)
        return ended, learnt(self.layout, self.step, names, before.mean, ended - level, jump)

    def _luck(self, before: Knowledge, ended: Array, moved: Ints) -> Array:
        """Covariance (m, moved, moved) of what comes of how a hand chanced to scatter in this spell.

        Of two laps that a hand scatters alike in the mean and otherwise in fact, half the square of what lies
        between their ends.
        """
        if self.hands == 1:
            return np.zeros((1, moved.size, moved.size))
        again = self.lap(before.mean, before.hand + len(HANDS))[:, moved]
        off = (again - ended) / np.sqrt(2.0)
        return np.asarray(off[:, :, None] * off[:, None, :], dtype=np.float64)

    def lap(self, shops: Array, hand: Ints) -> Array:
        """Shops (m, size) after the spell, each with its own faces and constants."""
        return lap_shops(self, shops, hand)


def moved_by(layout: Layout, names: Sequence[str]) -> Ints:
    """What a spell with these faces moves: them, and the metal removed."""
    faces = [np.arange(layout.size)[layout.face(name)] for name in names]
    return np.concatenate([*faces, [layout.removed(name) for name in names]])


def learnt(
    layout: Layout, step: Step, names: Sequence[str], before: Array, off: Array, jump: Array
) -> Array:
    """How where members end goes with where they begin, of these faces: (m, size, size).

    `jump`: as far as that is known beforehand, by which they end `off` (m, size) elsewhere; added to.
    """
    faces = [np.arange(layout.size)[layout.face(name)] for name in names]
    metals = dict.fromkeys(layout.plates[name].material.name for name in names)
    constants = [layout.wear(step.grit.name, metal) for metal in metals]
    active = np.concatenate([*faces, [*constants, layout.layer(step.grit.name), layout.day]])
    moved = moved_by(layout, names)
    # Sizes of one unit: the layer's depth for faces, a factor of e for constants.
    on_faces = active < layout.face(list(layout.plates)[-1]).stop
    scale = np.where(on_faces, step.grit.layer.depth, 1.0)
    jump[:, moved[:, None], active] += slopes(before[:, active] / scale, off[:, moved]) / scale
    return jump


def lap_shops(
    spell: Spell, shops: Array, hand: Ints, share: Array | None = None, also: Array | None = None
) -> Array:
    """Shops (m, size) after a spell; `hand` (m,): which hand laps each.

    `share` (m,) of the spell that each laps: so long is as good as cutting so much slower all through.
    `also` (m, n) [m]: of tops that lie there as one body by how much each of them is thicker than the first,
    then the coefficients of those that are in no layout.
    """
    layout, step = spell.layout, spell.step
    ended = shops.copy()
    ended[:, layout.size - len(layout.plates) :] = 0.0
    factor = _factors(layout, step, shops)
    depth = np.exp(shops[:, layout.layer(step.grit.name)])
    stiffness = step.grit.layer.stiffness / depth
    age = 0.0
    for stay in stays(step):
        cut, age = cut_of(step, age, stay.first, stay.strokes)
        names = [stay.bottom, *(spell.tops or (stay.top,))]
        pair = [layout.plates[name] for name in (stay.bottom, stay.top)]
        kappas = np.stack(
            [k * factor[p.name] for k, p in zip(kappa(step.grit, *pair), pair, strict=True)], axis=1
        )
        kappas[:, 0] *= spell.beside
        if share is not None:
            kappas *= share[:, None]
        starts = np.cumsum([0, *(layout.bases[name].size for name in names)])
        faces = np.concatenate([layout.heights(name, ended) for name in names], axis=1)
        thicker = np.zeros((len(shops), len(names)))
        if also is not None:
            thicker[:, 1:] = also[:, : len(names) - 1]
            faces[:, starts[:-1]] = thicker
            faces = np.concatenate([faces, also[:, len(names) - 1 :]], axis=1)
        for kind in range(spell.hands):
            some = np.flatnonzero(hand % spell.hands == kind)
            if some.size:
                crowd = spell.crowd(stay.top, stay.bottom, kind)
                flows = spell.bearing(stay.top, stay.bottom, kind)
                faces[some] = crowd.lap(
                    faces[some], stiffness[some], kappas[some], cut, spell.threads, flows
                )
        for k, name in enumerate(names):
            own = faces[:, starts[k] : starts[k + 1]]
            ended[:, layout.face(name)] = own[:, PLANES:]
            ended[:, layout.removed(name)] -= own[:, 0] - thicker[:, k]
    return ended


def _factors(layout: Layout, step: Step, shops: Array) -> Mapping[str, Array]:
    """How much faster than the study says each of the two plates wears (m,)."""
    day = shops[:, layout.day]
    metals = {name: layout.plates[name].material.name for name in (step.bottom, step.top)}
    return {
        name: np.exp(shops[:, layout.wear(step.grit.name, m)] + day) for name, m in metals.items()
    }


def _off(layout: Layout, step: Step) -> Array:
    """Share of its change by which each of the three forms may end elsewhere than where the model says (3,).

    Shops are lapped as smeared; of dome or bow of faces that were flooded also what liquid may have held up.
    That is to one side alone, which no normal can say: it is told as a spread to both.
    """
    film = film_of(step, *(layout.plates[name] for name in (step.top, step.bottom)))
    held = 0.0 if film is None else 1.0 - film.left
    return np.array([hypot(DISCREPANCY, held), DISCREPANCY, DISCREPANCY])


def discrepancy(
    layout: Layout, step: Step, before: Array, ended: Array, names: Sequence[str] = ()
) -> Array:
    """Covariance (m, size, size) of how far shops may end from where the model says.

    `names`: the faces that were lapped, where they are not the two of the step.
    """
    spread = np.zeros((len(ended), layout.size, layout.size))
    share = _off(layout, step)
    for name in names or (step.bottom, step.top):
        own, rows = layout.face(name), layout.form_rows(name)
        metal = np.square(OF_METAL * ended[:, layout.removed(name)])
        forms = np.square(share * ((ended - before) @ rows.T)) + metal[:, None]
        at, back = layout.quadratic(name)
        spread[:, at[:, None], at] = np.einsum("ij,mj,kj->mik", back, forms, back)
        finer = np.arange(own.start + 3, own.stop)
        change = np.square(DISCREPANCY * (ended - before)[:, finer])
        spread[:, finer, finer] = change + (FINER_SHARE**2 / finer.size) * metal[:, None]
        spread[:, layout.removed(name), layout.removed(name)] = metal
    return spread


def off_by(
    layout: Layout, step: Step, before: Array, ended: Array, rng: np.random.Generator,
    names: Sequence[str] = (),
) -> Array:  # fmt: skip
    """Shops (m, size) that ended elsewhere than where the model says, each by a discrepancy of its own.

    `names` as of `discrepancy`.
    """
    off, share = ended.copy(), _off(layout, step)
    for name in names or (step.bottom, step.top):
        metal = OF_METAL * ended[:, layout.removed(name)]
        forms = share * ((ended - before) @ layout.form_rows(name).T)
        at, back = layout.quadratic(name)
        off[:, at] += (np.hypot(forms, metal[:, None]) * rng.standard_normal(forms.shape)) @ back.T
        finer = np.arange(layout.face(name).start + 3, layout.face(name).stop)
        change = DISCREPANCY * (ended - before)[:, finer]
        spread = np.hypot(change, FINER_SHARE / np.sqrt(finer.size) * metal[:, None])
        off[:, finer] += spread * rng.standard_normal(change.shape)
        off[:, layout.removed(name)] += metal * rng.standard_normal(len(ended))
    return off


def new_day(known: Knowledge, layout: Layout, same: bool = False) -> Knowledge:
    """The same before another spell: nothing removed yet, and unless it is the `same` day, another day."""
    first = layout.day + same
    passing = np.arange(first, layout.size)
    mean, cloud = known.mean.copy(), known.cloud.copy()
    mean[:, passing] = 0.0
    cloud[:, passing] = 0.0
    cloud[:, :, passing] = 0.0
    if not same:
        cloud[:, layout.day, layout.day] = DAY**2
    return replace(known, mean=mean, cloud=cloud)


def turns_of(top: Outline, bottom: Outline) -> Iterator[Turn]:
    """How a top may be turned in a spell: nobody sets a rail crosswise, or turns one that would hang over."""
    long = max(top.size) > CROSSWISE * top.smaller
    hangs = max(top.size) > bottom.smaller
    return (one for one in TURNS if not (long and (one.indexed or hangs)))


def either_on_top(one: Outline, other: Outline) -> bool:
    """Whether of two plates either may lie on the other: neither is much the larger."""
    return max(one.radius, other.radius) < MUCH_LARGER * min(one.radius, other.radius)


def turns_enough(step: Step) -> bool:
    """Whether the top comes to lie on the bottom in other ways than straight and half turned."""
    ways = [t for t in (step.turn, step.walk) if t.angle != 0.0]
    if len(ways) == 2 and not any(t.indexed for t in ways):
        ways = [Turn(ways[0].angle + ways[1].angle)]
    left = [abs((t.angle + 0.5 * pi) % pi - 0.5 * pi) for t in ways if t.indexed]
    left += [abs((t.angle + pi) % (2.0 * pi) - pi) for t in ways if not t.indexed]
    return any(angle > 1e-6 for angle in left)


def workable(step: Step, plates: Mapping[str, Plate]) -> Step:
    """The step as it may be advised: smeared where liquid would hold up the top, grit that cuts both faces.

    Spells are lapped as smeared whatever a step says; more minutes of what does not cut take nothing off.
    """
    pair = plates[step.top], plates[step.bottom]
    film = film_of(step, *pair)
    if film is not None and 1.0 - film.left > limit_of("liquid"):
        step = replace(step, liquid="smeared")
    return replace(step, grit=_cutting_grit(step.grit, pair))


def _cutting_grit(grit: Grit, pair: Sequence[Plate]) -> Grit:
    """The same grain of a kind that cuts both faces, loose where the face that is to hold it is too hard.

    What is said to go of a plate goes, whatever the kind.
    """
    if any(p.name == grit.held_in and not holds_grit(p.material) for p in pair):
        grit = replace(grit, held_in=None)
    guessed = [p.material for p in pair if p.name not in grit.wear.plates]
    if grit.wear.iron is None or all(cut_left(grit.abrasive, one) == 1.0 for one in guessed):
        return grit
    kind = next(k for k in ABRASIVES if all(cut_left(k, one) == 1.0 for one in guessed))
    quicker = quickness(kind) / quickness(grit.abrasive)
    return replace(
        grit,
        name=f"{METRIC.grain(grit.size)} {kind}",
        abrasive=kind,
        wear=replace(grit.wear, iron=quicker * grit.wear.iron),
    )

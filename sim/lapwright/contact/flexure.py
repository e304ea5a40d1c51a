"""How the bodies of a step bend, and what of it the kernels read."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from lapwright.contact.bent import Bodies
from lapwright.contact.lay import read_only
from lapwright.kinematics.motion import places_of
from lapwright.metrology.bending import DEGREE, Elastic, carried_by
from lapwright.metrology.evenly import enough
from lapwright.specification.plate import Plate
from lapwright.specification.step import Step
from lapwright.specification.supports import Palm

if TYPE_CHECKING:
    from lapwright.contact.placement import PlacedPlate

FELT = 3e-3  # least give of a mode beside the layer's, by which it follows the pressure


@dataclass(frozen=True)
class Flexure:
    """How the bodies of a step bend.

    `feet` (k, 2) [m] under the bottom, looking at its face; None: a flat bed, on which it does not bend.
    `force` [N] of the hands, each pressing as said; `warm` [K]: face over back, of bottom and top.  `degree`
    of the polynomials, even; modes that give less than `felt` of the layer do not follow the pressure.
    """

    bottom: Plate
    top: Plate
    feet: tuple[tuple[float, float], ...] | None = None
    force: float = 0.0
    hands: tuple[Palm, ...] = ()
    warm: tuple[float, float] = (0.0, 0.0)
    degree: int = DEGREE
    felt: float = FELT

    @classmethod
    def of(cls, step: Step, bottom: Plate, top: Plate) -> Flexure | None:
        """How the bodies of a step bend; None where it takes them as rigid.

        Parameters
        ----------
        step : Step
        bottom, top : Plate
            As they lie now.

        Returns
        -------
        Flexure or None

        """
        if not step.bends:
            return None
        warm = step.warm.get(bottom.name, 0.0), step.warm.get(top.name, 0.0)
        degree = enough(top, bottom, step.load, places_of(step))
        return cls(bottom, top, bottom.feet, step.load.force, step.load.hands, warm, degree)

    def bodies(
        self, laid_bottom: PlacedPlate, laid_top: PlacedPlate, stiffness: float, cell: float
    ) -> Bodies:
        """As kernels read them, on a layer of `stiffness` [Pa/m] and cells of `cell` [m] of the bottom.

        Parameters
        ----------
        laid_bottom, laid_top : PlacedPlate
            How both lie.
        stiffness : float
            [Pa/m]
        cell : float
            [m]

        Returns
        -------
        Bodies

        """
        per_cell = stiffness * cell**2
        degree = self.degree
        bottom, top = Elastic(self.bottom, degree), Elastic(self.top, degree)
        lies, over = laid_bottom.lay_powers(degree), laid_top.lay_powers(degree)
        lies_bottom, gives, feet = bottom.warm(self.warm[0]), np.zeros((len(lies), 0)), None
        if self.feet is not None:
            places = np.asarray(self.feet)
            lies_bottom = lies_bottom - bottom.on(places) @ bottom.weight
            # Deflections are told from the feet; what of their own bend the modes leave out is added.
            modes, carry = (
                bottom.modes(stiffness, self.felt),
                carried_by(places / bottom.radius, degree),
            )
            rest = lies.T @ (np.eye(len(lies)) - carry.T)
            gives = rest @ modes * per_cell**0.5
            feet = rest @ (bottom.compliance - modes @ modes.T) @ carry[:, :3] * per_cell
        # The weight, and a hand that is not said to press anywhere, lie evenly over the top and turn with it.
        spread = top.weight if self.hands else top.weight + self.force * top.even
        lies_top = top.warm(self.warm[1]) + top.compliance @ spread
        pressed = [
            self.force * (hand.share or 0.0) * top.pressed(hand.at, hand.size)
            for hand in self.hands
        ]
        # The hands and what they meet go where scratch goes too: writable, so that it compiles once.
        return Bodies(
            read_only(gives),
            read_only(over.T @ top.modes(stiffness, self.felt) * per_cell**0.5),
            read_only(np.zeros((len(lies), 0)) if feet is None else feet),
            read_only(lies.T @ lies_bottom),
            read_only(over.T @ lies_top),
            np.ascontiguousarray(over.T @ top.compliance @ over * per_cell)
            if pressed
            else np.zeros((0, 0)),
            np.sum(pressed, axis=0) / per_cell if pressed else np.zeros(0),
            float(top.radius / bottom.radius),
        )

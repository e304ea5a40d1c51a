"""Less than at the bench, for tests of what else is said and done.

A search of one round for what to lap next, or of none; a glance at the steps by the fewest shapes.
"""

from dataclasses import replace

from lapwright.commands import session
from lapwright.modal import reduced_model
from lapwright.optimisation import onward
from lapwright.results import budget

HASTE = {"ROUNDS": 1, "LENGTHS": (1.0, 3.0), "TRIED": 1, "CELLS": 32}
NONE = {**HASTE, "ROUNDS": 0}
USUAL = {name: getattr(onward, name) for name in HASTE}


def search(sizes: dict[str, object]) -> None:
    """Search so from now on."""
    for name, value in sizes.items():
        setattr(onward, name, value)


GLANCE = {"CLOSELY": 0, "DEARLY": 0}
USUAL_GLANCE = {name: getattr(reduced_model, name) for name in GLANCE}


def glance(closely: dict[str, int]) -> None:
    """Look at so many motions closely from now on."""
    for name, value in closely.items():
        setattr(reduced_model, name, value)


REHEARSED, TOLD_FROM = budget.REHEARSED, session.TOLD_FROM


def foretell(rehearsed: float, told_from: budget.Budget) -> None:
    """Lap so long [s] beforehand to tell what a run will take, and tell it from there on."""
    budget.REHEARSED, session.TOLD_FROM = rehearsed, told_from


def foretell_nothing() -> None:
    """Two blocks are lapped beforehand; and how busy the machine is changes nothing of what is said."""
    foretell(0.0, replace(TOLD_FROM, time=float("inf")))

"""Less than at the bench, for tests of what else is said and done.

A search of one round for what to lap next, or of none; a glance at the steps by the fewest shapes.
"""

from dataclasses import replace

from lapwright.commands import session
from lapwright.modal import reduced_model
from lapwright.optimisation import onward

HASTE = {"ROUNDS": 1, "LENGTHS": (1.0, 3.0), "TRIED": 1, "CELLS": 32}
TOLD_FROM = session.TOLD_FROM
# On a busy machine whatever is lapped takes long: that is not told, and what is said stays the same.
BUSY = replace(TOLD_FROM, time=float("inf"))
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

"""A search of one round for what to lap next; most tests are of what else a run says."""

from lapwright.optimisation import onward

HASTE = {"ROUNDS": 1, "LENGTHS": (1.0, 3.0), "TRIED": 1, "CELLS": 32}
USUAL = {name: getattr(onward, name) for name in HASTE}


def search(sizes: dict[str, object]) -> None:
    """Search so from now on."""
    for name, value in sizes.items():
        setattr(onward, name, value)

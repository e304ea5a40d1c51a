"""What a worker does once: have every kernel compiled, and say which program it is."""

from __future__ import annotations

from lapwright import __version__

__all__ = ["same_program", "warm"]


def same_program() -> str:
    """Version of the program here."""
    return __version__


def warm() -> None:
    """Lap a small pair for a few strokes, once turning and once cell on cell: both loops are used."""
    from dataclasses import replace
    from math import radians

    from lapwright.lapping.run import lap
    from lapwright.lapping.step import Grit, Layer, Step, Turn, Wear
    from lapwright.lapping.strokes import Circle
    from lapwright.plate.outline import Disc
    from lapwright.plate.plate import Plate

    a = Plate(Disc(0.1), thickness=0.02, cells=16, name="A")
    grit = Grit("15 um", 15e-6, Wear(iron=1e-12), Layer(1e-6))
    step = Step("A", "B", grit, curve=Circle(0.02), strokes=2)
    for turn in (Turn(), Turn(radians(8.0))):
        for _ in lap({"A": a, "B": replace(a, name="B")}, [replace(step, turn=turn)]):
            pass

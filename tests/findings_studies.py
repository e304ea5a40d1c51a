"""Sixty varied studies, each from its number alone, in which there is something to notice."""

from __future__ import annotations

import numpy as np

__all__ = ["study_text"]

STROKES = (
    'stroke = { kind = "figure-eight", travel = "1/3" }',
    'stroke = { kind = "circle", travel = "1/4" }',
    'stroke = { kind = "line", overhang = "27 %" }',
    'stroke = { kind = "line", travel = "1/2", centre = ["12 mm", "9 mm"] }',
    'stroke = { kind = "still" }',
    'stroke = { kind = "zigzag", travel = "1/3", passes = 20 }',
)
TURNS = ('turn = "8 deg per stroke"', "", 'walk = "3 deg per stroke"')
SWAPS = ("", 'swap_every = "2 min"')
GRITS = ("30 um", "15 um", "9 um", "3 um", "1 um")


def study_text(index: int) -> str:
    """One, two or three steps; a pair, or a part on a plate; now and then in inches, in carbide."""
    dice = np.random.default_rng((4711, index))

    def one_of(*what: object) -> str:
        return str(dice.choice(np.array(what, dtype=object)))

    material = one_of("grey iron", "grey iron", "hardened steel", "carbide")
    thick = one_of('thickness = "30 mm"', 'thickness = "6 mm"', 'mass = "14 kg"', 'mass = "26 kg"')
    form = one_of(
        'form = { dome = "3 um" }', 'form = { dome = "0.2 um" }', 'form = { twist = "2 um" }'
    )
    head = one_of("", "", 'units = "inch"\n') + one_of("", "", "rounds = 2\n")
    plates = (
        f'plates.A = {{ disc = "160 mm", {thick}, material = "{material}", {form}, cells = 16 }}\n'
    )
    below = 'disc = "200 mm", thickness = "50 mm", cells = 16'
    plates += 'plates.B = { like = "A" }\n' if index % 3 else f"plates.B = {{ {below} }}\n"
    steps = []
    for _ in range(1 + index % 3):
        steps.append(
            "\n".join(
                [
                    "[[steps]]",
                    'top = "A"\nbottom = "B"',
                    f'grit = "{one_of(*GRITS)}"',
                    one_of(*STROKES),
                    one_of(*TURNS),
                    one_of(*SWAPS),
                    one_of("", 'fresh_grit_every = "3 min"'),
                    f'pace = "{one_of("12 /min", "12 /min", "40 /min")}"',
                    one_of("", 'load = "20 N"', 'load = "400 N"'),
                    f'time = "{one_of("1 min", "3 min", "11 min")}"',
                    'liquid = "flooded with kerosene"' if index % 8 == 4 else "",
                ]
            )
        )
    return head + plates + "\n".join(steps) + "\n"

"""Parts averaged over, against lapped one by one: `python benchmarks/averaging.py [FIRST LAST [small]]`.

Random batches: rings and discs on plates that are turned or stand, one to three together, on stations, in a
carrier or under one weight, with scatter, undressed, dressed by the number of parts or by a reading.  A
line each: how many loads were lapped of how many, the share of forms of the parts that others stood for, and
of their flatness, that lie within twice what is printed, rms of what they are off and of what is printed
[nm], the same of the dome of the plate, and processor times; in the end all together.  `small`: on fewer
cells, with at most 48 loads of at most 150 strokes, dressed at a tenth of the size.
"""

from __future__ import annotations

import sys
import time
from typing import Any

import numpy as np

from lapwright.results.batch import BatchRecord
from lapwright.results.record import SHAPES
from lapwright.results.recorder import lapped
from lapwright.study.model import Study


def document(number: int) -> dict[str, Any]:
    """Random batch `number` as a study file has it."""
    draw = np.random.default_rng([number, 97])
    across = draw.choice([160, 200, 240])
    ring = bool(draw.random() < 0.6)
    part_across = int(draw.choice([36, 44, 50]))
    part: dict[str, Any] = {"mass": f"{draw.uniform(0.1, 0.4):.2f} kg", "cells": 16}
    part |= (
        {"ring": [f"{part_across} mm", f"{0.6 * part_across:.0f} mm"]}
        if ring
        else {"disc": f"{part_across} mm"}
    )
    part["form"] = {
        "dome": f"{draw.uniform(-1.5, 1.5):.2f} um",
        "twist": f"{draw.uniform(-0.3, 0.3):.2f} um",
    }
    part["material"] = str(draw.choice(["grey iron", "hardened steel", "stainless"]))
    plates: dict[str, Any] = {
        "plate": {"disc": f"{across} mm", "thickness": "30 mm", "cells": 28},
        "part": part,
    }
    together = int(draw.choice([1, 2, 3]))
    how = str(draw.choice(["own", "own", "one", "carrier"])) if together > 1 else "own"
    lie = 0.5 * across - 0.5 * part_across - draw.uniform(4.0, 14.0)
    stroke: dict[str, Any] = {"kind": "circle", "radius": f"{draw.uniform(4, 10):.1f} mm"}
    turned = draw.random() < 0.75
    step: dict[str, Any] = {
        "top": "part",
        "bottom": "plate",
        "grit": str(draw.choice(["6 um", "9 um", "15 um"])),
        "strokes": int(draw.integers(100, 400)),
        "load": f"{draw.uniform(2, 12):.1f} N",
        "turn": f"{draw.uniform(40, 320):.0f} deg per stroke",
    }
    count = int(draw.integers(45, 80)) * together
    batch: dict[str, Any] = {"part": "part", "count": count, "together": together}
    batch["scatter"] = {"dome": f"{draw.uniform(0.05, 0.5):.2f} um"}
    if draw.random() < 0.5:
        batch["scatter"]["twist"] = f"{draw.uniform(0.05, 0.3):.2f} um"
    if how == "own":
        stroke["centre"] = [f"{lie:.1f} mm", "0 mm"]
        if together == 2 and draw.random() < 0.5:
            batch["stations"] = ["0 deg", "140 deg"]
    else:
        batch["radius"] = f"{lie - 12:.1f} mm"
    if how == "one":
        batch["under"] = "one weight"
        if draw.random() < 0.5:
            batch["scatter"]["thickness"] = f"{draw.uniform(0.2, 1):.1f} um"
    if how == "carrier":
        batch["radius"] = f"{0.62 * part_across:.1f} mm"
        out = 2 * 0.62 * part_across + part_across + 2
        plates["carrier"] = {
            "ring": [f"{out + 20:.0f} mm", f"{out:.0f} mm"],
            "mass": "1 kg",
            "cells": 36,
        }
        batch["carrier"] = "carrier"
        stroke["centre"] = [f"{max(0.5 * across - 0.5 * out - 4, 0.0):.1f} mm", "0 mm"]
    step["stroke"] = stroke
    if turned:
        step["turn_bottom"] = f"{draw.uniform(60, 420):.0f} deg per stroke"
    steps = [step]
    dressing = draw.random()
    if dressing < 0.5:
        plates["dresser"] = {
            "ring": [f"{0.7 * across:.0f} mm", f"{0.45 * across:.0f} mm"],
            "mass": "2 kg",
            "cells": 36,
        }
        dress = {k: v for k, v in step.items() if k not in ("turn", "load")} | {
            "top": "dresser", "turn": "70 deg per stroke", "strokes": 300,
            "stroke": {"kind": "circle", "radius": "12 mm"},
        }  # fmt: skip
        steps.append(dress)
        due: dict[str, Any] = {"every": f"{int(draw.integers(14, 30)) * together} parts"}
        if dressing > 0.25:
            due = {"when": {str(draw.choice(["dome", "flatness"])): f"{draw.uniform(1, 4):.1f} um"}}
        batch["dress"] = {"with": "dresser", "step": 2, **due}
    return {"seed": number, "plates": plates, "steps": steps, "batch": batch}


def smaller(given: dict[str, Any]) -> dict[str, Any]:
    """The same batch, lapped in a fraction of the time."""
    plates, batch = given["plates"], given["batch"]
    for name, cells in (("plate", 20), ("part", 16), ("carrier", 24), ("dresser", 24)):
        if name in plates:
            plates[name]["cells"] = cells
    for step in given["steps"]:
        step["strokes"] = min(step["strokes"], 150)
    batch["count"] = min(batch["count"], 48 * batch["together"])
    for name, size in batch.get("dress", {}).get("when", {}).items():
        # So little is worn off that the plate would never read as much.
        batch["dress"]["when"][name] = f"{0.1 * float(size.split()[0]):.3f} um"
    return given


def of(given: dict[str, Any], average: bool) -> tuple[BatchRecord, float]:
    """The parts of a batch, and the processor seconds they took."""
    begin = time.process_time()
    study = Study.from_dict(given | {"batch": given["batch"] | {"average": average}})
    record = lapped(study).batch
    assert record is not None
    return record, time.process_time() - begin


def kind_of(batch: dict[str, Any]) -> tuple[str, ...]:
    """How the parts lie, and when the plate is dressed."""
    lie = batch.get("under", "carrier" if "carrier" in batch else "own weights")
    if "stations" in batch:
        lie = "stations"
    due = next((key for key in ("every", "when") if key in batch.get("dress", {})), "")
    return lie, {"every": "dressed by number", "when": "dressed by reading"}.get(due, "undressed")


def held(one: BatchRecord, whole: BatchRecord) -> dict[str, float]:
    """How the parts that others stood for compare with those lapped one by one."""
    stood = np.asarray(one.lapped) == 0
    off, told = [], []
    for key in SHAPES:
        if np.isfinite(one.forms[key]).all():
            off.append((one.forms[key] - whole.forms[key])[stood])
            told.append(one.error[key][stood])
    forms, printed = np.concatenate(off), np.concatenate(told)
    flat = (one.forms["flatness"] - whole.forms["flatness"])[stood]
    return {
        "held": float((np.abs(forms) <= 2.0 * printed).sum()),
        "of": float(forms.size),
        "flat_held": float((np.abs(flat) <= 2.0 * one.flat_error[stood]).sum()),
        "flat_of": float(flat.size),
        "within": float((np.abs(forms) <= 2.0 * printed).mean()),
        "flat_within": float((np.abs(flat) <= 2.0 * one.flat_error[stood]).mean()),
        "off": float(np.sqrt(np.mean(forms**2))),
        "told": float(np.sqrt(np.mean(printed**2))),
        "flat_off": float(np.sqrt(np.mean(flat**2))),
        "flat_told": float(one.flat_error[stood][0]),
        "plate": float(np.sqrt(np.mean((one.plate["sphere"] - whole.plate["sphere"]) ** 2))),
        "lapped": float((~stood).sum()),
    }


def main() -> None:
    """Lap and print."""
    first, last = (int(arg) for arg in sys.argv[1:3]) if len(sys.argv) > 2 else (1, 30)
    held_by_kind: dict[str, list[float]] = {}
    for number in range(first, last + 1):
        try:
            given = document(number)
            if "small" in sys.argv:
                given = smaller(given)
            one, quick = of(given, True)
            if not one.averaged:
                print(number, "lapped one by one", flush=True)
                continue
            whole, slow = of(given, False)
        except Exception as trouble:  # a random batch that cannot be lapped is none
            print(number, "no batch:", str(trouble)[:150], flush=True)
            continue
        got = held(one, whole)
        batch = given["batch"]
        kind = kind_of(batch)
        for name in (*kind, "all together"):
            all_of = held_by_kind.setdefault(name, [0.0] * 4)
            for k, key in enumerate(("held", "of", "flat_held", "flat_of")):
                all_of[k] += got[key]
        print(
            f"{number} {', '.join(kind)} {got['lapped']:.0f} of {batch['count']}: "
            f"within {got['within']:.3f}, flatness {got['flat_within']:.3f}; off {1e9 * got['off']:.1f}, "
            f"printed {1e9 * got['told']:.1f}; flatness {1e9 * got['flat_off']:.1f}, "
            f"printed {1e9 * got['flat_told']:.1f}; plate {1e9 * got['plate']:.1f}; "
            f"{quick:.1f} s for {slow:.1f} s; "
            f"dressed {len(one.dressings.after)} and {len(whole.dressings.after)}",
            flush=True,
        )
    for name, (forms, of_forms, flat, of_flat) in held_by_kind.items():
        print(
            f"{name}: forms {forms:.0f} of {of_forms:.0f} ({forms / of_forms:.3f}), "
            f"flatness {flat:.0f} of {of_flat:.0f} ({flat / of_flat:.3f})"
        )


if __name__ == "__main__":
    main()

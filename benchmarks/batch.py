"""How fast batches are lapped: `python benchmarks/batch.py [PARTS]`, on a quiet machine.

Fifty rings of 60/40 mm, three together, on a 300 mm plate of 128 cells, and as many PARTS (1,000) at 64
cells, none of them dressed between; the table of parts and the flatness of each included, no page.  Wall time
on two threads and processor time; 20 s and a minute of wall time are asked of two cores.
"""

from __future__ import annotations

import sys
import time

from lapwright.results.recorder import lapped
from lapwright.study.model import Study


def study(count: int, cells: int, of_ring: int) -> Study:
    """Seal rings on a plate that turns."""
    plates = {
        "plate": {"ring": ["300 mm", "130 mm"], "thickness": "40 mm", "cells": cells},
        "ring": {
            "ring": ["60 mm", "40 mm"],
            "thickness": "10 mm",
            "material": "hardened steel",
            "cells": of_ring,
            "form": {"dome": "1 um"},
        },
    }
    step = {
        "top": "ring",
        "bottom": "plate",
        "grit": "9 um",
        "stroke": {"kind": "circle", "radius": "8 mm", "centre": ["105 mm", "0 mm"]},
        "turn_bottom": "400 deg per stroke",
        "turn": "250 deg per stroke",
        "load": "10 N",
        "time": "12 min",
        "fresh_grit_every": "6 min",
    }
    batch = {"part": "ring", "count": count, "together": 3, "scatter": {"dome": "0.2 um"}}
    return Study.from_dict({"seed": 4, "plates": plates, "steps": [step], "batch": batch})


def main() -> None:
    """Lap both and print."""
    many = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    lapped(study(3, 64, 24), threads=2)  # kernels compiled and loaded
    for count, cells, of_ring in ((50, 128, 26), (many, 64, 24)):
        wall, cpu = time.perf_counter(), time.process_time()
        lapped(study(count, cells, of_ring), threads=2)
        wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
        print(f"{count} parts at {cells} cells: wall {wall:.1f} s, processor {cpu:.1f} s")


if __name__ == "__main__":
    main()

"""Rings going round on a plate that turns, as the tests of batches lap them; small, quick cells."""

from lapwright.study.model import Study


def rings(batch, *, cells, ring_cells, strokes, dressing, form=None, dresser=False, **more):
    """A study of a batch; a `dresser`, if any, takes `dressing` strokes on the same plate after each load."""
    plates = {
        "plate": {"disc": "200 mm", "thickness": "30 mm", "cells": cells},
        "ring": {
            "ring": ["50 mm", "30 mm"],
            "mass": "0.3 kg",
            "cells": ring_cells,
            "form": form or {},
        },
    }
    step = {
        "top": "ring",
        "bottom": "plate",
        "grit": "fine" if "grits" in more else "9 um",
        "strokes": strokes,
        "stroke": {"kind": "circle", "radius": "8 mm", "centre": ["60 mm", "0 mm"]},
        "turn_bottom": "99 deg per stroke",
        "turn": "63 deg per stroke",
    }
    steps = [step]
    if dresser:
        plates["dresser"] = {"ring": ["120 mm", "80 mm"], "mass": "1 kg", "cells": cells}
        stroke = {"kind": "circle", "radius": "8 mm"}
        steps.append(step | {"top": "dresser", "strokes": dressing, "stroke": stroke})
    return Study.from_dict({"plates": plates, "steps": steps, "batch": batch, **more})

"""lapwright: two lapping plates, loose grit, and what rubbing makes of them.

    import lapwright as lw

    study = lw.Study.read("first-pair.toml")
    run = study.run()
    print(run.outcome, run.plates["A"].form.sphere)  # SI, as everything here

`docs/python.md` teaches it.  Importing this loads nothing heavy: a name brings what it needs when it is
first asked for.

The floors, from the ground up; imports only ever point down:

errors, limits     what goes wrong, in plain words; what advice goes by, each with its source
units              SI to a person's units: every quantity that is said
kernels            numba loops on bare arrays
exact              closed forms, each with its source
plate              what things are: outline, grooves, land, form, flatness
lapping            what happens to them: strokes, the grit layer, wear, time
gauges             what an instrument reads, what a reading says
modes              what a stroke takes out, leaves alone and makes
study              people's units to SI, study files in, run files in and out
planning           several ways of lapping the same plates, lapped in full and put in order
book               what was done and read, what is known from it, what comes next
interview          a few questions at the bench, and the study that their answers make
verify, report     proofs of this copy; pictures and pages from a run file
results            answers of the commands as numbers, in words and for scripts
cli                words in, exit code out
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from lapwright.book.book import Book
    from lapwright.errors import LapwrightError, StudyError
    from lapwright.gauges.reading import Reading
    from lapwright.lapping.step import Grit, Hand, Layer, Load, Step, Swap, Turn, Until, Wear
    from lapwright.planning.comparison import Comparison
    from lapwright.plate.flatness import minimum_zone
    from lapwright.plate.form import StartForm
    from lapwright.plate.grooves import Grooves
    from lapwright.plate.material import Material
    from lapwright.plate.measure import EdgeMargin, Form, measure
    from lapwright.plate.outline import Disc, Rectangle, Ring
    from lapwright.plate.plate import Plate
    from lapwright.study.model import Study
    from lapwright.study.record import Run

__version__ = "0.1.0"

# Where each public name lives.
_HOMES = {
    "errors": ("LapwrightError", "StudyError"),
    "book.book": ("Book",),
    "study.model": ("Study",),
    "study.record": ("Run",),
    "planning.comparison": ("Comparison",),
    "plate.plate": ("Plate",),
    "plate.outline": ("Disc", "Rectangle", "Ring"),
    "plate.grooves": ("Grooves",),
    "plate.material": ("Material",),
    "plate.form": ("StartForm",),
    "plate.measure": ("EdgeMargin", "Form", "measure"),
    "plate.flatness": ("minimum_zone",),
    "lapping.step": ("Grit", "Hand", "Layer", "Load", "Step", "Swap", "Turn", "Until", "Wear"),
    "gauges.reading": ("Reading",),
}
_HOME = {name: f"lapwright.{home}" for home, names in _HOMES.items() for name in names}

__all__ = [
    "Book",
    "Comparison",
    "Disc",
    "EdgeMargin",
    "Form",
    "Grit",
    "Grooves",
    "Hand",
    "LapwrightError",
    "Layer",
    "Load",
    "Material",
    "Plate",
    "Reading",
    "Rectangle",
    "Ring",
    "Run",
    "StartForm",
    "Step",
    "Study",
    "StudyError",
    "Swap",
    "Turn",
    "Until",
    "Wear",
    "__version__",
    "measure",
    "minimum_zone",
]

if __name__ != "lapwright":
    raise ImportError(f"this package is called lapwright, not {__name__}: install it, and import lapwright")


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"lapwright has no {name}: it has {', '.join(sorted(_HOME))}")
    return getattr(importlib.import_module(_HOME[name]), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *_HOME})

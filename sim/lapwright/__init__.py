"""lapwright: two lapping plates, loose grit, and what rubbing makes of them.

    import lapwright as lw

    study = lw.Study.read("first-pair.toml")
    run = study.run()
    print(run.outcome, run.plates["A"].form.sphere)  # SI, as everything here

`docs/python.md` teaches it.  Importing this loads nothing heavy: a name brings what it needs when it is
first asked for.

The rooms, from the ground up; imports only ever point down:

errors, limits     what goes wrong, in plain words; what advice goes by, each with its source
units, files       SI to a person's units; files put in place whole
specification      what is lapped, with what, how: frozen data and its defaults
metrology          form, minimum zone, surface files, instruments, estimates
kinematics         relative motion, overlap, overhang, the schedule
contact            bodies on a compliant layer; numba only here
integration        the time loop
modal              the reduced model: operator, spectrum, what stays
study              studies in TOML
results            runs, findings, run files, answers as numbers
optimisation       comparisons, searches, the book of a pair
verification       closed forms and published answers against the engine
presentation       sentences, pages, cards, pictures
commands           words in, exit code out
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from lapwright.errors import LapwrightError, StudyError
    from lapwright.metrology.flatness import minimum_zone
    from lapwright.metrology.form import EdgeMargin, Form, measure
    from lapwright.metrology.reading import Reading
    from lapwright.optimisation.book import Book
    from lapwright.optimisation.comparison import Comparison
    from lapwright.results.record import Run
    from lapwright.specification.grooves import Grooves
    from lapwright.specification.outline import Disc, Rectangle, Ring
    from lapwright.specification.plate import Material, Plate, StartForm
    from lapwright.specification.step import Grit, Hand, Layer, Load, Step, Swap, Turn, Until, Wear
    from lapwright.study.model import Study

__version__ = "0.1.0"

# Where each public name lives.
_HOMES = {
    "errors": (
        "LapwrightError",
        "StudyError",
    ),
    "optimisation.book": ("Book",),
    "study.model": ("Study",),
    "results.record": ("Run",),
    "optimisation.comparison": ("Comparison",),
    "specification.plate": (
        "Material",
        "Plate",
        "StartForm",
    ),
    "specification.grooves": ("Grooves",),
    "specification.outline": ("Disc", "Rectangle", "Ring"),
    "metrology.form": (
        "EdgeMargin",
        "Form",
        "measure",
    ),
    "metrology.flatness": ("minimum_zone",),
    "specification.step": (
        "Grit",
        "Hand",
        "Layer",
        "Load",
        "Step",
        "Swap",
        "Turn",
        "Until",
        "Wear",
    ),
    "metrology.reading": ("Reading",),
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
    raise ImportError(
        f"this package is called lapwright, not {__name__}: install it, and import lapwright"
    )


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"lapwright has no {name}: it has {', '.join(sorted(_HOME))}")
    return getattr(importlib.import_module(_HOME[name]), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *_HOME})

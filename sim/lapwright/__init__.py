"""lapwright: two lapping plates, loose grit, and what rubbing makes of them.

    import lapwright as lw

    study = lw.Study.read("first-pair.toml")
    run = study.run()
    print(run.outcome, run.plates["A"].form.sphere)  # SI, as everything here

`docs/python.md` teaches it.  Importing this loads nothing heavy: a name brings what it needs when it is
first asked for.

The rooms, from the ground up; imports only ever point down:

errors, limits     what goes wrong, in plain words; what advice goes by, each with its source
units, files, face SI to a person's units; files put in place whole; what is public
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

if __name__ != "lapwright":
    raise ImportError(
        f"this package is called lapwright, not {__name__}: install it, and import lapwright"
    )

from lapwright.face import face

__version__ = "0.1.0"
__getattr__, __dir__ = face(__name__, __file__)

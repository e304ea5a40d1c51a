"""lapwright: two lapping plates, loose grit, and what rubbing makes of them.

The floors, from the ground up; imports only ever point down:

errors             what goes wrong, in plain words
kernels            numba loops on bare arrays
exact              closed forms, each with its source
plate              what things are: outline, grooves, land, form, flatness
lapping            what happens to them: strokes, the grit layer, wear, time
gauges             what an instrument reads, what a reading says
modes              what a stroke takes out, leaves alone and makes
study              people's units to SI, study files in, run files in and out
planning           several ways of lapping the same plates, lapped in full and put in order
interview          a few questions at the bench, and the study that their answers make
verify, report     proofs of this copy; pictures and pages from a run file
cli                words in, exit code out
"""

__version__ = "0.1.0"

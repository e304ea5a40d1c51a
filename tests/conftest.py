"""Before NumPy is loaded: one thread for small matrices, as `sim.cli` sets it; two wait for each other."""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

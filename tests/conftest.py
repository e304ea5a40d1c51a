"""What every test stands on, however it was started: one thread for small matrices, Ctrl-C as it comes."""

import os
import signal

from hypothesis import HealthCheck, settings

# Before NumPy is loaded, as `sim.cli` sets it; two threads wait for each other.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

# In the background of a shell, or under one that traps it, Ctrl-C is ignored: here, and in every process that
# is started from here.  A handler in its place is not handed on, and those begin with what is usual.
signal.signal(signal.SIGINT, signal.default_int_handler)

# How long an example takes, or finding one, hangs on what else the machine does.
settings.register_profile("steady", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("steady")

"""Form, minimum zone, surface files, instruments, uncertainty, estimates.

Read `form`, then `instruments` (where a gauge touches) and `estimate` (from readings to form).
"""

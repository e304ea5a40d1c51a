"""Form, minimum zone, surface files, instruments, uncertainty, estimates.

Read `form`, then `instruments` (where a gauge touches) and `least_squares` (from readings to form).
"""

from lapwright.face import face

__getattr__, __dir__ = face(__name__, __file__)

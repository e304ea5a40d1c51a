"""Bodies on a compliant layer: equilibrium, pressure, lift-off, wear; the only room with numba.

Read `average` (both faces, many poses) and `equilibrium` (one pose); `placement` holds the one mirror.
"""

from lapwright.face import face

__getattr__, __dir__ = face(__name__, __file__)

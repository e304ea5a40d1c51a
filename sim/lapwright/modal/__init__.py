"""Reduced model: operator, spectrum, null space, drift, residue, while the whole overlap bears.

Read `operator`, then `propagator` and `spectrum`.
"""

from lapwright.face import face

__getattr__, __dir__ = face(__name__, __file__)

"""Reduced model: operator, spectrum, null space, drift, residue, while the whole overlap bears.

Read `operator`, then `propagator` and `spectrum`.
"""

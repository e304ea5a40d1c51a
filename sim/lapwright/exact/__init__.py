"""Closed forms, each with its source; tests, `lapwright verify` and the docs use them.

Nothing here knows the engine: numpy alone, scipy inside the functions that need it.  Lengths, pressures and
times are whatever unit the caller keeps to, mostly multiples of a radius or a mean pressure.
"""

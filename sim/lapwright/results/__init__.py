"""Runs, what is noticed of them, run files (HDF5), and the answers of commands as numbers.

Read `record` (a run) and `finding`.
"""

from lapwright.face import face

__getattr__, __dir__ = face(__name__, __file__)

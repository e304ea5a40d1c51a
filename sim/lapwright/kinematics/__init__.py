"""Relative motion, overlap, overhang and sliding, and the schedule that orders them.

Read `motion` and `schedule` first.
"""

from lapwright.face import face

__getattr__, __dir__ = face(__name__, __file__)

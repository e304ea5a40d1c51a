"""Cases, Monte Carlo, ranking, constrained search; the book of a pair and its planner.

Read `comparison`, `tune` and `book`.
"""

from lapwright.face import face

__getattr__, __dir__ = face(__name__, __file__)

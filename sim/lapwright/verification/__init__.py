"""Closed forms and published answers against the engine.

Closed forms stand in `closed_forms`, each with its source; `*_rows` put the engine beside them, and `proof`
gathers these.
"""

from lapwright.face import face

__getattr__, __dir__ = face(__name__, __file__)

"""What is lapped, with what, how: frozen data and its defaults, and how text becomes SI.

Read `plate` and `step` first; `said` is how their fields read text.
"""

from lapwright.face import face

__getattr__, __dir__ = face(__name__, __file__)

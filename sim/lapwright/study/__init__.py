"""Studies in TOML, read and written with comments kept.

Read `model` (a study in SI) and `read`.
"""

from lapwright.face import face

__getattr__, __dir__ = face(__name__, __file__)

"""The time loop: state, blocks of strokes, stopping rule, error control.

Read `loop`.
"""

from lapwright.face import face

__getattr__, __dir__ = face(__name__, __file__)

"""The time loop: state, blocks of strokes, stopping rule, error control.

Read `loop`.
"""

"""Closed forms and published answers against the engine.

Closed forms stand in `exact_*`, each with its source; `rows` puts the engine beside them.
"""

"""Studies in TOML, read and written with comments kept.

Read `model` (a study in SI) and `read`.
"""

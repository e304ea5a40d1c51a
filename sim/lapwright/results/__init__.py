"""Runs, what is noticed of them, run files (HDF5), and the answers of commands as numbers.

Read `record` (a run) and `finding`.
"""

"""Relative motion, overlap, overhang and sliding, and the schedule that orders them.

Read `motion` and `schedule` first.
"""

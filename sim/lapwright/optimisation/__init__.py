"""Cases, Monte Carlo, ranking, constrained search; the book of a pair and its planner.

Read `comparison`, `tune` and `book`.
"""

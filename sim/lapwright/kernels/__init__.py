"""Numba loops on bare arrays."""

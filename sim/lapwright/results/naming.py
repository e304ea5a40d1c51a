"""Plates of the same figure, named together."""

from __future__ import annotations

from collections.abc import Mapping

from lapwright.units import joined

__all__ = ["named"]


def named(sizes: Mapping[str, str]) -> list[tuple[str, str]]:
    """Names in words and the figure that they share, figure by figure."""
    alike: dict[str, list[str]] = {}
    for name, size in sizes.items():
        alike.setdefault(size, []).append(name)
    return [(joined(names), size) for size, names in alike.items()]

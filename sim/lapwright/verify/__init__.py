"""Proof of this copy: what the program computes against closed forms and published answers.

`expected` is a published, remembered or derived number (the row says which), `got` always comes from the
same plates, motion and engine that lap; a row that fails is shown as failed.
"""

from __future__ import annotations

from collections.abc import Iterator

from lapwright.verify.row import Row

__all__ = ["Row", "rows", "verify"]


def rows() -> Iterator[Row]:
    """Yield every row, subject by subject, as it is worked out."""
    # Late, so that asking for help does not compile the engine.
    from lapwright.verify import (
        bending,
        clutch,
        edges,
        form,
        gauges,
        kept,
        moments,
        motion,
        picture,
        settling,
        standards,
        wear,
    )

    for subject in (
        motion,
        wear,
        edges,
        moments,
        kept,
        picture,
        clutch,
        settling,
        bending,
        form,
        standards,
        gauges,
    ):
        yield from subject.rows()


def verify() -> tuple[Row, ...]:
    """Work out all rows."""
    return tuple(rows())

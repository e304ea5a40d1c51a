"""What was there as a load of a batch was laid, written down as text and read back to the last bit."""

from __future__ import annotations

from base64 import b64decode, b64encode
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lapwright.integration.state import Begun

Array = NDArray[np.float64]


def put(begun: Begun | None) -> dict[str, Any] | None:
    """What was there as a load was laid, as text, to the last bit."""
    if begun is None:
        return None
    maps = {
        name: (z.shape, b64encode(np.ascontiguousarray(z).tobytes()).decode("ascii"))
        for name, z in begun.heights.items()
    }
    return {"heights": maps, "removed": dict(begun.removed), "time": begun.time}


def taken(told: Mapping[str, Any] | None) -> Begun | None:
    """The same, read back."""
    if told is None:
        return None
    maps = {
        name: owned(np.frombuffer(b64decode(text), dtype=np.float64).reshape(shape))
        for name, (shape, text) in told["heights"].items()
    }
    return Begun(maps, {n: float(off) for n, off in told["removed"].items()}, float(told["time"]))


def owned(values: Array) -> Array:
    """A copy that stands by itself in memory, read-only, as the loop makes them."""
    copy = np.array(values, dtype=np.float64, order="C", copy=True)
    copy.setflags(write=False)
    return copy

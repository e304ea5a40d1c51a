"""The one decorator through which every numba kernel is compiled.

`error_model="numpy"`: a division by zero gives inf, never an exception that a thread would lose.
`nogil`: chunks of poses may run in ordinary threads; the order of every sum is fixed by the caller.
`fastmath` only re-associates sums and contracts multiply-adds (so that loops use vector registers);
infinities, NaN and signed zeros keep their meaning.  `docs/numerics.md` shows what that changes: round-off.
`forceinline`: what a kernel calls is part of it.  Left to the compiler, a callee may stand in one library as
compiled by itself and in another as optimised with its caller, and which of them runs (and how its sums are
associated) hangs on whether the kernels were compiled just now or loaded.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numba

__all__ = ["kernel", "processor"]

kernel: Callable[[Callable[..., Any]], Callable[..., Any]] = numba.njit(
    cache=True, error_model="numpy", nogil=True, forceinline=True, fastmath={"reassoc", "contract", "arcp"}
)


def processor() -> str:
    """The kind of processor that kernels are compiled for: the last bits of a sum hang on it."""
    import llvmlite.binding

    return str(llvmlite.binding.get_host_cpu_name())

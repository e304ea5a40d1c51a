"""The two decorators of all numba kernels; small systems solved alike on any threads.

`kernel`: what Python calls.  `part`: what kernels alone call; numba then makes no door by which Python comes
in, which took it a quarter of the time that a first run waits for its kernels, and no machine code, a fifth.

`error_model="numpy"`: a division by zero gives inf, never an exception that a thread would lose.
`nogil`: chunks of poses may run in ordinary threads; the order of every sum is fixed by the caller.
`fastmath` only re-associates sums and contracts multiply-adds (so that loops use vector registers);
infinities, NaN and signed zeros keep their meaning.  `docs/numerics.md` shows what that changes: round-off.
`_nrt=False`: no kernel makes arrays, so nothing counts who holds one.  Otherwise every slice of a row is
counted in and out, which took a tenth to a third of a pose and more where two threads count the same map.
`forceinline`: what a kernel calls is part of it.  Left to the compiler, a callee may stand in one library as
compiled by itself and in another as optimised with its caller, and which of them runs (and how its sums are
associated) hangs on whether the kernels were compiled just now or loaded.

Small symmetric systems, solved the same to the bit on any number of threads.

A linear-algebra library splits its sums over threads, and its last bits with them; answers must not.
"""

from __future__ import annotations

import contextlib
import hashlib
import math
import pickle
from collections.abc import Callable
from typing import Any

import numba
import numpy as np
from numba.core.caching import FunctionCache, IndexDataCacheFile
from numba.core.codegen import JITCodeLibrary
from numba.core.compiler import Compiler
from numpy.typing import NDArray

_njit: Any = numba.njit  # its types leave out half of its options
_HOW: dict[str, Any] = {
    "error_model": "numpy",
    "nogil": True,
    "forceinline": True,
    "_nrt": False,
    "fastmath": {"reassoc", "contract", "arcp"},
    "no_cfunc_wrapper": True,
}
_not_kept: list[str] = []  # why compiled kernels are not kept on the disk


def kernel(function: Callable[..., Any]) -> Callable[..., Any]:
    """Compile a function on its first call, or take what was compiled before from the disk."""
    return _kept(function, _njit(**_HOW))


def part(function: Callable[..., Any]) -> Callable[..., Any]:
    """The same for a function that only kernels call; from Python it cannot be called."""
    return _kept(function, _njit(no_cpython_wrapper=True, pipeline_class=_OfPart, **_HOW))


class _Part(JITCodeLibrary):
    """What is compiled of a part: handed to its callers, which optimise it as their own, and never run alone.

    numba would optimise it by itself as well, and make machine code of it that nobody calls.  Older ones that
    keep their passes ready need the former: without it their loops take 1.8 times as long.
    """

    def _optimize_final_module(self) -> None:
        if hasattr(self._codegen, "_mpm_full"):
            super()._optimize_final_module()

    def _finalize_final_module(self) -> None:
        self._finalize_dynamic_globals()
        self._finalized = True

    def serialize_using_object_code(self) -> Any:
        return self.serialize_using_bitcode()

    @property
    def codegen(self) -> Any:
        return self

    def set_env(self, name: str, env: Any) -> None:
        """There is no code that could ask for it."""


class _OfPart(Compiler):
    """numba's own steps, into such a library."""

    def define_pipelines(self) -> Any:
        state = self.state
        state.library = _Part(state.targetctx.codegen(), state.func_id.func_qualname)
        return super().define_pipelines()


def _kept(
    function: Callable[..., Any], compiled: Callable[[Callable[..., Any]], Any]
) -> Callable[..., Any]:
    """A function compiled so, kept on the disk."""
    made: Callable[..., Any] = compiled(function)
    try:
        made._cache = _Cache(function)  # type: ignore[attr-defined]  # as `cache=True` does with numba's own
    except (RuntimeError, OSError) as trouble:  # neither beside the program nor in HOME
        _not_kept.append(str(trouble))
    return made


def uncached() -> bool:
    """Whether kernels had to be compiled without being kept for the next time."""
    return bool(_not_kept)


class _Data(IndexDataCacheFile):
    """numba's files, with a digest before what is compiled: code in which a bit has changed is never run."""

    def _save_data(self, name: str, data: Any) -> None:
        body = self._dump(data)
        with self._open_for_write(self._data_path(name)) as file:
            file.write(hashlib.sha256(body).digest() + body)

    def _load_data(self, name: str) -> Any:
        with open(self._data_path(name), "rb") as file:
            told, body = file.read(32), file.read()
        if hashlib.sha256(body).digest() != told:
            raise ValueError("damaged")
        return pickle.loads(body)


class _Cache(FunctionCache):
    """numba's cache on the disk, which never stands in the way: what is damaged there is compiled anew."""

    def __init__(self, function: Callable[..., Any]) -> None:
        super().__init__(function)
        place = self._impl.locator
        self._cache_file = _Data(
            place.get_cache_path(), self._impl.filename_base, place.get_source_stamp()
        )

    def load_overload(self, sig: Any, target_context: Any) -> Any:
        try:
            # Not numba's own, which first makes ready to compile: that takes longer than to read.
            return self._load_overload(sig, target_context)
        except Exception:  # whatever unpickling a damaged file may raise
            with contextlib.suppress(OSError):
                self.flush()
            return None

    def save_overload(self, sig: Any, data: Any) -> None:
        try:
            super().save_overload(sig, data)
        except OSError as trouble:
            _not_kept.append(str(trouble))


def processor() -> str:
    """The kind of processor that kernels are compiled for: the last bits of a sum hang on it.

    Its name, and a digest of what it can do: a virtual one of that name may have a part of it only.
    """
    import llvmlite.binding

    asked: Any = numba.config  # NUMBA_CPU_NAME and NUMBA_CPU_FEATURES, if somebody set them
    name = asked.CPU_NAME or llvmlite.binding.get_host_cpu_name()
    able = asked.CPU_FEATURES
    if able is None:
        able = llvmlite.binding.get_host_cpu_features().flatten()
    return f"{name} ({hashlib.sha256(able.encode()).hexdigest()[:8]})"


Array = NDArray[np.float64]


@kernel
def _gram(rows: Array, out: Array) -> None:
    n, m = rows.shape
    for i in range(n):
        for j in range(i + 1):
            total = 0.0
            for k in range(m):
                total += rows[i, k] * rows[j, k]
            out[i, j] = total
            out[j, i] = total


def gram(rows: Array) -> Array:
    """Products (n, n) of each of n rows (n, m) with each."""
    out = np.empty((len(rows), len(rows)))
    _gram(rows, out)
    return out


@kernel
def _solve_positive(matrix: Array, out: Array) -> None:
    """Solve for the right sides that `out` comes in with; the matrix is written over."""
    n = matrix.shape[0]
    for j in range(n):
        for i in range(j, n):
            total = matrix[i, j]
            for k in range(j):
                total -= matrix[i, k] * matrix[j, k]
            if i == j:
                matrix[j, j] = math.sqrt(total)
            else:
                matrix[i, j] = total / matrix[j, j]
    for r in range(out.shape[0]):
        for i in range(n):
            total = out[r, i]
            for k in range(i):
                total -= matrix[i, k] * out[r, k]
            out[r, i] = total / matrix[i, i]
        for i in range(n - 1, -1, -1):
            total = out[r, i]
            for k in range(i + 1, n):
                total -= matrix[k, i] * out[r, k]
            out[r, i] = total / matrix[i, i]


def solve_positive(matrix: Array, right: Array) -> Array:
    """Solve a positive definite system (n, n) for right sides (r, n), by Cholesky's method; (r, n).

    The matrix is written over.  Where it is not positive definite the answer holds no number.
    """
    out = np.array(right, dtype=float, order="C")
    _solve_positive(matrix, out)
    return out

"""Compilation of the inner loops."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar, cast

from numba import config, njit

_MOST_THREADS = 2

_F = TypeVar("_F", bound=Callable[..., object])


def compiled(function: _F) -> _F:
    """Compile at the first call, keep the result on disk; type checkers see the plain function.

    Compiled functions release the interpreter lock, and dividing by zero gives what IEEE 754 says.
    """
    return cast(_F, njit(cache=True, nogil=True, error_model="numpy")(function))


def inlined(function: _F) -> _F:
    """As :func:`compiled`, but copied into each caller: a loop over lanes stays one loop."""
    return cast(_F, njit(cache=True, nogil=True, error_model="numpy", forceinline=True)(function))


def usual_threads() -> int:
    """How many threads light is followed on where many beams are asked for at once.

    The machine's cores, two at most: more were never measured. ``NUMBA_NUM_THREADS``, numba's own
    setting, makes it one, as in a process that has as many others beside it as there are cores.
    """
    return min(_MOST_THREADS, int(config.NUMBA_NUM_THREADS))  # type: ignore[attr-defined]

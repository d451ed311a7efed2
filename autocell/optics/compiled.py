"""Compilation of the inner loops."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar, cast

from numba import njit

_F = TypeVar("_F", bound=Callable[..., object])


def compiled(function: _F) -> _F:
    """Compile at the first call, keep the result on disk; type checkers see the plain function.

    Compiled functions release the interpreter lock, and dividing by zero gives what IEEE 754 says.
    """
    return cast(_F, njit(cache=True, nogil=True, error_model="numpy")(function))


def inlined(function: _F) -> _F:
    """As :func:`compiled`, but copied into each caller: a loop over lanes stays one loop."""
    return cast(_F, njit(cache=True, nogil=True, error_model="numpy", forceinline=True)(function))

"""Many rows times one small matrix, always in one thread."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

_ONE_THREAD = 200_000
"""Products of two numbers in one call. From 262,144 OpenBLAS shares them among threads
(``SMP_THRESHOLD_MIN`` times ``GEMM_MULTITHREAD_THRESHOLD`` of its ``interface/gemm.c``)."""

_WHOLE = 64
"""So many rows, or a multiple, are multiplied as they would be among more of them."""


def times(rows: FloatArray, matrix: FloatArray) -> FloatArray:
    """``rows @ matrix`` of (N, D) and (D, E): (N, E), in pieces.

    A product takes some ten microseconds. Threads that have to be woken for it, and that wait for
    one another on a machine with other work, take up to a thousand times as long; and what they
    come to differs in the last digit with the number of them, so that a seed would tell another
    story on another machine.
    """
    at_once = max(_WHOLE, _ONE_THREAD // matrix.size // _WHOLE * _WHOLE)
    product = np.empty((len(rows), matrix.shape[1]))
    for first in range(0, len(rows), at_once):
        np.matmul(rows[first : first + at_once], matrix, out=product[first : first + at_once])
    return product

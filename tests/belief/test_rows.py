"""Products of many rows are the same whatever number of threads a machine would give them."""

from __future__ import annotations

import os
import subprocess
import sys

import numpy as np
import pytest

from autocell.belief.rows import times

PRINT = """
import hashlib
import numpy as np
from autocell.belief.rows import times

rng = np.random.default_rng(1)
told = hashlib.sha256()
for rows in (63, 911, 2997, 4003, 10000):
    for width in (5, 17, 24, 26, 40):
        a, b = rng.normal(size=(rows, width)), rng.normal(size=(width, width))
        told.update(times(a, b).tobytes() + times(a, b.T).tobytes())
print(told.hexdigest())
"""


def printed(threads: int) -> str:
    environment = {**os.environ, "OPENBLAS_NUM_THREADS": str(threads)}
    command = [sys.executable, "-c", PRINT]
    return subprocess.run(command, env=environment, capture_output=True, check=True).stdout.decode()


def test_one_thread_and_four_come_to_the_same() -> None:
    assert printed(1) == printed(4)


@pytest.mark.parametrize("rows", [0, 1, 64, 1000])
@pytest.mark.parametrize("wide", [1, 26, 5000])
def test_it_is_the_product(rows: int, wide: int) -> None:
    rng = np.random.default_rng(rows)
    a, b = rng.normal(size=(rows, 3)), rng.normal(size=(3, wide))
    expected = np.einsum("ij,jk->ik", a, b)
    np.testing.assert_allclose(times(a, b), expected, rtol=1e-12, atol=1e-12)

"""One seed for a whole bench, a stream of random numbers for each named part of it.

A stream depends on the seed and its name alone, so that another axis, effect or fault added
later changes none of the numbers that were drawn before.
"""

from __future__ import annotations

import numpy as np


def stream(seed: int, name: str) -> np.random.Generator:
    """The random numbers of the part called ``name``."""
    return np.random.default_rng(np.random.SeedSequence(seed, spawn_key=tuple(name.encode())))

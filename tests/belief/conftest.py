"""Readings without a bench, small beliefs, and benches known but for a little."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from autocell.belief.model import BenchModel
from autocell.belief.population import Belief
from autocell.belief.unknowns import FloatArray, Prior
from autocell.bench.file import load, shipped
from autocell.description import BenchDescription
from autocell.patterns import choose_pattern
from autocell.reading import Reading
from autocell.setting import Setting

PEAT_BOG = load(shipped("peat-bog"))
UNKNOWNS = Prior.of(PEAT_BOG).names
PASSES = 26
TARGET = choose_pattern(PEAT_BOG, PASSES).setting
"""Where the bench file has the plateau of 26 passes."""

SHIFTS_M = (-3e-3, -1.6e-3, 0.0, 1.2e-3, 2.4e-3, -2.2e-3, 1.8e-3, -0.8e-3)


def a_model(*unknown: str, max_passes: int = 112, bench: BenchDescription = PEAT_BOG) -> BenchModel:
    """A model of a bench; with names, everything else is known exactly."""
    model = BenchModel(bench, max_passes=max_passes)
    if unknown:
        known = [
            replace(u, tolerance=u.tolerance * (u.name in unknown)) for u in model.prior.unknowns
        ]
        model.prior = replace(model.prior, unknowns=tuple(known))
    return model


def a_bench(**z: float) -> FloatArray:
    """One standardised bench (D,): as the bench file has it but for the named unknowns."""
    return np.array([z.get(name, 0.0) for name in UNKNOWNS])


def beside(shift_m: float) -> Setting:
    """The input beam of 26 passes at a spacing beside theirs."""
    return TARGET.at_spacing(TARGET.spacing_m + shift_m)


def readings_of(
    model: BenchModel,
    z: FloatArray,
    places: Sequence[Setting],
    rng: np.random.Generator | None = None,
    noise: float = 2e-3,
) -> list[Reading]:
    """What the meter would read on bench ``z`` (D,), with noise of a share of the power."""
    power = model.predict(z[None, :], places).power_w[0]
    u = noise * power + 1e-7
    off = np.zeros_like(u) if rng is None else u * rng.normal(size=u.shape)
    return [
        Reading(place, float(p), float(s), 9, 0.0)
        for place, p, s in zip(places, power + off, u, strict=True)
    ]


def a_belief(model: BenchModel, seed: int = 0, members: int = 150, sweeps: int = 3) -> Belief:
    """A small and quick belief."""
    rng = np.random.default_rng(seed)
    return Belief(model, rng, members=members, pioneers=max(500, 4 * members), sweeps=sweeps)


def believing(
    model: BenchModel,
    readings: Sequence[Reading],
    seed: int = 0,
    members: int = 150,
    sweeps: int = 3,
) -> Belief:
    """A belief that has taken these readings in, one after the other."""
    belief = a_belief(model, seed, members, sweeps)
    for reading in readings:
        belief.update(reading)
    return belief


def shares(belief: Belief, at: Setting = TARGET) -> dict[int, float]:
    """Share of the members for each pass count at a setting."""
    counts, members = np.unique(belief.predict((at,)).passes[:, 0], return_counts=True)
    total = len(belief.z)
    return {int(c): int(m) / total for c, m in zip(counts, members, strict=True)}


@pytest.fixture(scope="module")
def model() -> BenchModel:
    """The shipped bench with all that its file leaves open."""
    return a_model()

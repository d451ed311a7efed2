"""Ten thousand benches, sixty passes, one core: ours, other tracers, and ours with parts left out.

Everyone must find the same spots before the time counts. Another tracer follows chief rays and
nothing else: beside it stand our chief rays, which is the same trace, and our whole model, which is
what we ask where they would be asked.
"""

from __future__ import annotations

import numpy as np
import plain_numpy
import pytest
import simpler_kernels
from multipass import PASSES, WAVELENGTH_M, Rays, benches
from other_tracers import Batoid, Optiland, RayOptics

from autocell.optics.trace import exit_power, trace

COUNT = 10_000
FEW, FEWER = 20, 1000
"""Rays for a tracer that takes one at a time, and for one that takes a batch less large."""

AGREE_M = 1e-13


@pytest.fixture(scope="module")
def batch():
    return benches(COUNT)


@pytest.fixture(scope="module")
def rays(batch) -> Rays:
    return Rays.of(batch[1])


@pytest.fixture(scope="module")
def spots_m(batch) -> np.ndarray:
    return trace(*batch, PASSES).position_m[:, PASSES, :2]


@pytest.fixture
def compare(beside_ours, batch, rays):
    """Time a function that takes ``count`` rays through all passes; with ``same_trace`` it
    follows chief rays only, and ours do so beside it."""

    def measure(
        name: str, function, count: int = COUNT, rounds: int = 15, same_trace: bool = False
    ) -> None:
        ours = COUNT if count < FEWER else count
        cell, beam = batch if ours == COUNT else benches(ours)
        chief = simpler_kernels.chief_rays(_first(rays, ours))
        beside_ours(
            name,
            function,
            count * PASSES,
            lambda: exit_power(cell, beam, PASSES),
            (lambda: chief(PASSES)) if same_trace else None,
            ours * PASSES,
            rounds,
        )

    return measure


def test_ours_as_the_belief_asks(compare, batch):
    compare("ours, light below 1e-4 not followed", lambda: exit_power(*batch, PASSES, floor=1e-4))


def test_ours_keeping_every_spot(compare, batch):
    compare("ours, every spot kept", lambda: trace(*batch, PASSES), rounds=5)


def test_batoid(compare, results, rays, spots_m):
    tracer = Batoid(rays)
    _agree(results, "batoid", tracer(PASSES), spots_m)
    compare("batoid (C++)", lambda: tracer(PASSES), same_trace=True)


def test_optiland(compare, results, rays, spots_m):
    tracer = Optiland(rays, PASSES)
    _agree(results, "optiland", tracer(PASSES), spots_m)
    compare("optiland (numpy, numba)", lambda: tracer(PASSES), same_trace=True)


def test_optiland_with_fewer_rays(compare, rays):
    tracer = Optiland(_first(rays, FEWER), PASSES)
    compare(f"optiland, {FEWER} rays", lambda: tracer(PASSES), count=FEWER, same_trace=True)


def test_rayoptics(compare, results, rays, spots_m):
    tracer = RayOptics(_first(rays, FEW), PASSES)
    _agree(results, "rayoptics", tracer(PASSES), spots_m[:FEW])
    compare("rayoptics (Python)", lambda: tracer(PASSES), count=FEW, same_trace=True)


def test_chief_rays_only(compare, results, rays, spots_m):
    run = simpler_kernels.chief_rays(rays)
    _agree(results, "ours without beam", run(PASSES), spots_m)
    compare("ours, chief ray only", lambda: run(PASSES))


def test_round_beams_only(compare, results, batch, rays, spots_m):
    beam = batch[1]
    run = simpler_kernels.round_beams(rays, beam.waist_x_m, beam.waist_distance_x_m, WAVELENGTH_M)
    _agree(results, "ours with round beams", run(PASSES), spots_m)
    compare("ours with a stigmatic beam", lambda: run(PASSES))


@pytest.mark.parametrize("block", [1000, 10_000])
def test_plain_numpy(compare, results, batch, rays, spots_m, block):
    beam = batch[1]

    def run() -> tuple[np.ndarray, np.ndarray]:
        return plain_numpy.follow(
            rays, beam.waist_x_m, beam.waist_distance_x_m, WAVELENGTH_M, PASSES, block
        )

    found, near = run()
    assert not near.any()
    _agree(results, f"plain numpy, blocks of {block}", found, spots_m)
    compare(f"plain numpy, blocks of {block}", run, rounds=5)


def _first(rays: Rays, count: int) -> Rays:
    return Rays(rays.radius_m, rays.spacing_m, rays.position_m[:count], rays.direction[:count])


def _agree(results, name: str, found_m: np.ndarray, spots_m: np.ndarray) -> None:
    apart_m = float(np.abs(found_m - spots_m).max())
    results.fact(f"spot after {PASSES} passes, {name}", f"{apart_m:.1e} m apart", "≤ 1e-13 m")
    assert apart_m <= AGREE_M

"""Case A of the physics: R = 400 mm, N = 50, k = 11, r = 15 mm, λ = 633 nm, traced. [exact]"""

from __future__ import annotations

import math

import numpy as np
import pytest

from autocell.optics.gaussian import matched_mode
from autocell.optics.reentrance import circle_slopes, reentrant_circle, reentrant_spacings
from autocell.optics.trace import trace

R, N, K, CIRCLE = 0.4, 50, 11, 0.015
PARAXIAL_M = 0.325047474166


@pytest.fixture
def orbit():
    return reentrant_circle(N, K, R, R, CIRCLE)


@pytest.fixture
def follow(build, orbit):
    """Trace the aligned launch of case A through a cell that differs by what is given."""

    def run(spacing_error_m=0.0, **mirrors):
        cell = build.cell(orbit.spacing_m + spacing_error_m, R, **mirrors)
        beam = build.matched_beam(CIRCLE, 0.0, *orbit.input_slopes(0.0), PARAXIAL_M, R)
        return trace(cell, beam, N)

    return run


def test_spacings(orbit):
    found = reentrant_spacings(R, R, 0.32, 0.33, N)
    paraxial = found["spacing_m"][(found["passes"] == N) & (found["orbits"] == K)]
    assert 1e3 * paraxial == pytest.approx([325.047474166], abs=5.1e-10)
    assert 1e3 * orbit.spacing_m == pytest.approx(325.381542648, abs=5.1e-10)
    assert math.degrees(orbit.advance_rad) == pytest.approx(79.2, abs=1e-12)


def test_traced_pattern(orbit, follow):
    path = follow()
    assert path.exit.passes == N
    assert 1e3 * path.exit.path_length_m == pytest.approx(16269.062689, abs=5.1e-7)
    assert 1e3 * N * orbit.spacing_m == pytest.approx(16269.077132, abs=5.1e-7)
    np.testing.assert_allclose(1e3 * path.incidence_rad[1:], 45.2987, atol=5.1e-5)
    np.testing.assert_allclose(path.position_m[N], path.position_m[0], atol=1e-15)
    np.testing.assert_allclose(np.hypot(*path.position_m[:, :2].T), CIRCLE, atol=1e-15)


def test_incidence_on_a_circle(orbit, follow):
    # F14: tan i = (r/R) cot(θ/2), Arnaud & Kogelnik, Appl. Opt. 8, 1687 (1969) [mem]; with the
    # exact orbit √(R²−r²) stands for R and the half angle between chords is taken in space
    i = follow().incidence_rad[1:]
    paraxial = CIRCLE / R / math.tan(orbit.advance_rad / 2)
    np.testing.assert_allclose(np.tan(i), paraxial, rtol=2e-4)


def test_entry_slopes():
    radial, tangential = circle_slopes(CIRCLE, PARAXIAL_M, R)
    assert radial == pytest.approx(-0.0375, abs=1e-12)
    assert tangential == pytest.approx(0.0453297, abs=5.1e-8)


def test_matched_mode_at_the_paraxial_spacing():
    mode = matched_mode(PARAXIAL_M, R, R, 633e-9)
    assert 1e3 * mode.waist_m == pytest.approx(0.198958, abs=5.1e-7)
    assert 1e3 * mode.entrance_radius_m == pytest.approx(0.258215, abs=5.1e-7)
    assert 1e3 * mode.far_radius_m == pytest.approx(0.258215, abs=5.1e-7)
    assert 1e3 * mode.rayleigh_m == pytest.approx(196.4575, abs=5.1e-5)


def test_a_tenth_of_a_millimetre_of_spacing_slides_the_exit_spot(follow):
    moved = follow(0.1e-3).position_m[N] - follow().position_m[N]
    assert 1e3 * np.linalg.norm(moved[:2]) == pytest.approx(0.19114, abs=5.1e-6)
    # along the circle: at (r, 0) that is along y
    assert abs(moved[0]) < 0.01 * abs(moved[1])


@pytest.mark.parametrize("axis", ["x", "y"])
def test_far_mirror_tilt_leaves_the_exit_spot(follow, axis):
    # F11: moves neither exit spot nor exit direction, but for the third order
    still, tilted = follow(), follow(far={f"tilt_{axis}_rad": 1e-3})
    moved = np.linalg.norm((tilted.position_m - still.position_m)[:, :2], axis=-1)
    assert 1e3 * moved[N] < 0.0356
    assert 1e3 * moved.max() == pytest.approx(0.672, abs=6e-4)
    turned = np.linalg.norm(tilted.direction[N - 1] - still.direction[N - 1])
    assert turned < 0.1e-3


def test_far_mirror_tilt_moves_the_exit_spot_in_third_order_only(follow):
    still, tilted = follow(), follow(far={"tilt_x_rad": 1e-3})
    moved = np.linalg.norm((tilted.position_m - still.position_m)[N, :2])
    assert 1e3 * moved == pytest.approx(0.0355, abs=6e-5)


@pytest.mark.parametrize("axis", [0, 1])
def test_entrance_mirror_tilt_turns_the_exit_direction(follow, axis):
    # F11: by 2ε; the exit spot stays. 1 mrad: −2.04 mrad, spot ≤ 0.03 mm
    still, tilted = follow(), follow(entrance={f"tilt_{'xy'[axis]}_rad": 1e-3})
    turned = (tilted.direction - still.direction)[N - 1]
    assert 1e3 * turned[axis] == pytest.approx(-2.0, abs=0.045)
    if axis == 0:
        assert 1e3 * turned[axis] == pytest.approx(-2.04, abs=5e-3)
    assert 1e3 * np.linalg.norm((tilted.position_m - still.position_m)[N, :2]) <= 0.03


def test_tilts_move_the_axis_of_the_pattern(build):
    # F11: R²ε/(2R−d) at M1 and Rε(R−d)/(2R−d) at M2 for a tilt ε of M2; small orbit, small tilt
    tilt, small = 1e-6, 1e-4
    orbit = reentrant_circle(N, K, R, R, small)
    beam = build.beam(small, 0.0, *orbit.input_slopes(0.0))
    d = orbit.spacing_m

    def centres(**mirrors):
        spots = trace(build.cell(d, R, **mirrors), beam, N).position_m[:N, :2]
        return spots[0::2].mean(axis=0), spots[1::2].mean(axis=0)

    still = centres()
    tilted = centres(far={"tilt_x_rad": tilt})
    at_m1, at_m2 = (b - a for a, b in zip(still, tilted, strict=True))
    assert at_m1[0] == pytest.approx(R**2 * tilt / (2 * R - d), rel=1e-5)
    assert at_m2[0] == pytest.approx(R * tilt * (R - d) / (2 * R - d), rel=1e-4)
    assert max(abs(at_m1[1]), abs(at_m2[1])) < 1e-4 * abs(at_m1[0])
    # and the light still leaves where and whither it did
    path, plain = (trace(build.cell(d, R, far=far), beam, N) for far in ({"tilt_x_rad": tilt}, {}))
    assert np.abs(path.position_m[N] - plain.position_m[N]).max() < 1e-5 * abs(at_m1[0])
    assert np.abs(path.direction[N - 1] - plain.direction[N - 1]).max() < 1e-4 * tilt
    # M1 instead: exit direction by 2ε, exit spot not at all
    path = trace(build.cell(d, R, entrance={"tilt_x_rad": tilt}), beam, N)
    turned = path.direction[N - 1] - plain.direction[N - 1]
    assert turned[0] == pytest.approx(-2.0 * tilt, rel=1e-4)
    assert np.abs(path.position_m[N] - plain.position_m[N])[:2].max() < 1e-4 * tilt

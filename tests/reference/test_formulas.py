"""Phase advance, re-entrance and circles: the formulas and their published and derived numbers.

[pub] published, [exact] derived and confirmed by independent exact ray traces, [mem] published,
quoted from memory.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from autocell.optics.absorption import (
    SPEED_OF_LIGHT_M_PER_S,
    best_passes,
    clean_throughput,
    fringe_period_hz,
)
from autocell.optics.reentrance import (
    circle_slopes,
    circular_orbit,
    exit_slide,
    neighbour_distance,
    phase_advance,
    reentrant_circle,
    reentrant_spacings,
    spacing_for_advance,
)
from autocell.optics.trace import trace

SMALL = 1e-6
"""Scale of an orbit, m, at which the exact trace is paraxial to twelve digits."""


def test_phase_advance_is_that_of_herriott():
    # F1: cos θ = 1 − d/R, stable for 0 < d < 2R. Herriott, Kogelnik & Kompfner,
    # Appl. Opt. 3, 523 (1964) [mem]
    d = np.linspace(0.001, 0.799, 50)
    np.testing.assert_allclose(np.cos(phase_advance(d, 0.4, 0.4)), 1.0 - d / 0.4, atol=1e-15)
    assert np.isnan(phase_advance([-0.1, 0.0, 0.8, 0.81], 0.4, 0.4)).all()


def test_positions_follow_herriott_in_the_paraxial_limit(build):
    # F2: x_n = x0 cos nθ + √(d/(4f−d)) (x0 + 2f x0′) sin nθ. Herriott et al. 1964 [mem]
    d, f = 0.31, 0.2
    x0, y0, sx, sy = (SMALL * v for v in (1.0, -0.4, 0.7, 2.1))
    theta = float(phase_advance(d, 2 * f, 2 * f))
    n = np.arange(101)
    path = trace(build.cell(d, 2 * f), build.beam(x0, y0, sx, sy), 100)
    for axis, (start, slope) in enumerate([(x0, sx), (y0, sy)]):
        expected = start * np.cos(n * theta) + math.sqrt(d / (4 * f - d)) * (
            start + 2 * f * slope
        ) * np.sin(n * theta)
        np.testing.assert_allclose(path.position_m[:, axis], expected, atol=1e-9 * SMALL)


def test_herriott_agrees_with_matrices_step_by_step():
    # F2 against ABCD matrices, one pass and one mirror after the other, to 1e-14 [exact]
    d, f, x, slope = 0.31, 0.2, 1.0, -0.7
    theta, x0, slope0 = float(phase_advance(d, 2 * f, 2 * f)), x, slope
    for n in range(1, 61):
        x += d * slope
        slope -= x / f
        formula = x0 * math.cos(n * theta) + math.sqrt(d / (4 * f - d)) * (
            x0 + 2 * f * slope0
        ) * math.sin(n * theta)
        assert x == pytest.approx(formula, abs=4e-14)


def test_amplitude_follows_herriott(build):
    # F3: A² = 4f/(4f−d) (x0² + d x0 x0′ + d f x0′²). Herriott et al. 1964 [mem], [exact]
    d, f = 0.3117, 0.2
    x0, slope = SMALL, 0.9 * SMALL
    amplitude = math.sqrt(4 * f / (4 * f - d) * (x0**2 + d * x0 * slope + d * f * slope**2))
    path = trace(build.cell(d, 2 * f), build.beam(x0, 0.0, slope, 0.0), 20_000)
    # 20 000 irrational steps come within (π/20 000)²/2 of the turning point
    assert np.abs(path.position_m[:, 0]).max() == pytest.approx(amplitude, rel=2e-8)


@pytest.mark.parametrize(
    ("passes", "orbits", "d_over_r"),
    [
        (4, 1, 1.0),
        (6, 1, 0.5),
        (6, 2, 1.5),
        (8, 1, 0.292893219),
        (10, 1, 0.190983006),
        (10, 3, 1.309016994),
        (14, 3, 0.777479066),
        (26, 5, 0.645395113),
        (26, 7, 1.120536680),
        (30, 7, 0.895471537),
        (50, 11, 0.812618685),
        (62, 15, 0.949350831),
        (98, 25, 1.032051578),
        (136, 33, 0.953816541),
    ],
)
def test_reentrant_spacings_over_radius(passes, orbits, d_over_r):
    # F4 in numbers [exact]
    found = reentrant_spacings(1.0, 1.0, 0.0, 2.0, passes)
    ours = found[(found["passes"] == passes) & (found["orbits"] == orbits)]
    assert ours["spacing_m"] == pytest.approx([d_over_r], abs=5.1e-10)


def test_listing_gives_exactly_nine_spacings():
    # R = 400 mm, 330 < d < 345 mm, N ≤ 100, paraxial [exact]
    found = reentrant_spacings(0.4, 0.4, 0.330, 0.345, 100)
    assert [(n, k) for n, k in zip(found["passes"], found["orbits"], strict=True)] == [
        (18, 4),
        (94, 21),
        (76, 17),
        (58, 13),
        (98, 22),
        (40, 9),
        (62, 14),
        (84, 19),
        (22, 5),
    ]
    expected_mm = [
        330.54073,
        333.46826,
        334.16216,
        335.28720,
        336.16004,
        337.42621,
        339.42889,
        340.38309,
        343.07406,
    ]
    np.testing.assert_allclose(1e3 * found["spacing_m"], expected_mm, atol=5.1e-6)


def first_return(build, passes, orbits, radii, circle_m, *, far=False):
    """The pass at which an exact circular orbit first meets a hole at its entrance, or opposite."""
    orbit = reentrant_circle(passes, orbits, *radii, circle_m)
    slopes = orbit.input_slopes(0.0)
    beam = build.beam(circle_m, 0.0, *slopes)
    path = trace(build.cell(orbit.spacing_m, *radii), beam, 2 * passes)
    radius = orbit.far_circle_radius_m if far else circle_m
    spots = path.position_m[1::2] if far else path.position_m[2::2]
    away = np.hypot(spots[:, 0] - radius, spots[:, 1])
    hit = int(np.flatnonzero(away < 1e-9)[0])
    return 2 * hit + 1 if far else 2 * hit + 2


def test_every_listed_pattern_leaves_at_its_pass_and_not_before(build):
    # F4: gcd(k, N/2) = 1 and not gcd(k, N) = 1; the trace decides [exact]
    for passes, orbits, _ in reentrant_spacings(0.4, 0.4, 0.0, 0.8, 20):
        assert first_return(build, passes, orbits, (0.4, 0.4), 0.01) == passes
    for passes, orbits, _ in reentrant_spacings(0.5, 0.3, 0.0, 0.8, 14):
        if 4 * orbits != passes:
            assert first_return(build, passes, orbits, (0.5, 0.3), 0.005) == passes
    # a common divisor lets the light out early: (12, 2) is six passes, (12, 3) is four
    assert first_return(build, 12, 2, (0.4, 0.4), 0.01) == 6
    assert first_return(build, 12, 3, (0.4, 0.4), 0.01) == 4


def test_odd_pass_counts_leave_through_the_far_mirror(build):
    found = reentrant_spacings(0.4, 0.4, 0.0, 0.8, 15, exit_mirror="far")
    assert set(found["passes"] % 2) == {1}
    for passes, orbits, _ in found:
        assert first_return(build, passes, orbits, (0.4, 0.4), 0.01, far=True) == passes
    for passes, orbits, _ in reentrant_spacings(0.5, 0.3, 0.0, 0.8, 9, exit_mirror="far"):
        assert first_return(build, passes, orbits, (0.5, 0.3), 0.003, far=True) == passes


@pytest.mark.parametrize("azimuth", [np.pi, 0.25 * np.pi, -2.0, 0.4])
def test_through_a_far_hole_at_any_azimuth_light_leaves_at_its_pass_and_not_before(build, azimuth):
    # θ = (2πk + φ)/N: the trace decides [exact]
    radius, r = 0.4, 0.01
    found = reentrant_spacings(radius, radius, 0.0, 0.8, 15, "far", azimuth)
    assert len(found) > 20
    for passes, orbits, _ in found:
        orbit = reentrant_circle(passes, orbits, radius, radius, r, azimuth)
        path = trace(
            build.cell(orbit.spacing_m, radius), build.beam(r, 0.0, *orbit.input_slopes(0.0)), 15
        )
        place = path.position_m[:, :2]
        from_exit = np.hypot(*(place - r * np.array([np.cos(azimuth), np.sin(azimuth)])).T)
        from_entrance = np.hypot(*(place - [r, 0.0]).T)
        assert np.flatnonzero(from_exit[1::2] < 1e-9)[0] * 2 + 1 == passes
        assert from_entrance[2:passes:2].min(initial=np.inf) > 1e-6


def test_spots_of_a_circle(build, case_a):
    # F5: N/2 spots on each mirror, closest neighbours 2r sin(2π/N) = 3.7600 mm in case A [exact]
    orbit = reentrant_circle(50, 11, 0.4, 0.4, 0.015)
    beam = build.beam(0.015, 0.0, *orbit.input_slopes(0.0))
    path = trace(build.cell(orbit.spacing_m, 0.4), beam, 50)
    for spots in (path.position_m[0:50:2, :2], path.position_m[1:50:2, :2]):
        assert len(spots) == 25
        apart = np.linalg.norm(spots[:, None] - spots[None], axis=-1)
        nearest = (apart + np.eye(25)).min(axis=1)
        np.testing.assert_allclose(nearest, neighbour_distance(0.015, 50), rtol=1e-12)
    assert 1e3 * neighbour_distance(0.015, 50) == pytest.approx(3.7600, abs=5e-5)


def test_circle_slopes_are_the_paraxial_limit_of_the_exact_ones():
    # F6: x′ = −r/R, y′ = (r/R) √((2R−d)/d) [exact], paraxial
    radial, tangential = circle_slopes(0.015, 0.325047474166, 0.4)
    assert radial == pytest.approx(-0.0375, abs=1e-15)
    assert tangential == pytest.approx(0.0453297, abs=5e-8)
    orbit = circular_orbit(0.31, 0.4, 0.4, SMALL)
    assert (orbit.radial_slope, orbit.tangential_slope) == pytest.approx(
        circle_slopes(SMALL, 0.31, 0.4), rel=1e-10
    )


@pytest.mark.parametrize("radii", [(0.4, 0.4), (0.5, 0.3), (0.3, 0.5)])
@pytest.mark.parametrize("spacing_m", [0.12, 0.21, 0.29, 0.61])
def test_exact_slopes_keep_every_spot_on_its_circle(build, radii, spacing_m):
    orbit = circular_orbit(spacing_m, *radii, 0.011)
    azimuth = 0.7
    for sense in (1.0, -1.0):
        beam = build.beam(
            0.011 * math.cos(azimuth),
            0.011 * math.sin(azimuth),
            *orbit.input_slopes(azimuth, sense),
        )
        path = trace(build.cell(spacing_m, *radii), beam, 60)
        r = np.hypot(path.position_m[:, 0], path.position_m[:, 1])
        np.testing.assert_allclose(r[0::2], 0.011, atol=1e-12)
        np.testing.assert_allclose(r[1::2], orbit.far_circle_radius_m, atol=1e-12)
        np.testing.assert_allclose(path.chord_m[1:], orbit.chord_m, atol=1e-12)
        azimuths = np.unwrap(np.arctan2(path.position_m[:, 1], path.position_m[:, 0]))
        turned = (azimuths - azimuths[0] - sense * orbit.advance_rad * np.arange(61)) / (2 * np.pi)
        np.testing.assert_allclose(turned, np.round(turned), atol=1e-10)


def test_exact_circle_is_longer_than_the_paraxial_one():
    # F7: cos θ = (2R−d)/√(R²−r²) − 1; larger by about (1+cos θ) r²/2R [exact]
    orbit = reentrant_circle(50, 11, 0.4, 0.4, 0.015)
    h = math.sqrt(0.4**2 - 0.015**2)
    assert math.cos(orbit.advance_rad) == pytest.approx(
        (0.8 - orbit.spacing_m) / h - 1.0, abs=1e-15
    )
    paraxial = float(spacing_for_advance(orbit.advance_rad, 0.4, 0.4))
    about = (1.0 + math.cos(orbit.advance_rad)) * 0.015**2 / 0.8
    assert orbit.spacing_m - paraxial == pytest.approx(about, rel=1e-3)
    again = circular_orbit(orbit.spacing_m, 0.4, 0.4, 0.015)
    assert again.advance_rad == pytest.approx(orbit.advance_rad, abs=1e-14)
    unequal = reentrant_circle(50, 11, 0.5, 0.3, 0.015)
    again = circular_orbit(unequal.spacing_m, 0.5, 0.3, 0.015)
    assert again.advance_rad == pytest.approx(2 * math.pi * 11 / 50, abs=1e-14)


def test_path_of_a_circle_is_passes_times_spacing_to_third_order():
    # F8: N·d up to O(r⁴) [exact]
    short = []
    for r in (0.005, 0.01, 0.02):
        orbit = reentrant_circle(50, 11, 0.4, 0.4, r)
        short.append(50 * (orbit.spacing_m - orbit.chord_m))
    assert short[1] / short[0] == pytest.approx(16.0, rel=5e-3)
    assert short[2] / short[1] == pytest.approx(16.0, rel=5e-3)


def test_unequal_mirrors_follow_kogelnik_and_li():
    # F9: cos θ = ±√(g1 g2), cos 2θ = 2 g1 g2 − 1. Kogelnik & Li, Appl. Opt. 5, 1550 (1966) [mem]
    theta = phase_advance(0.2, 0.5, 0.3)
    assert np.cos(theta) ** 2 == pytest.approx(0.2, abs=1e-15)
    assert math.degrees(theta) == pytest.approx(63.434949, abs=5e-7)
    d = np.concatenate([np.linspace(0.01, 0.29, 9), np.linspace(0.51, 0.79, 9)])
    theta = phase_advance(d, 0.5, 0.3)
    np.testing.assert_allclose(np.cos(2 * theta), 2 * (1 - d / 0.5) * (1 - d / 0.3) - 1, atol=1e-13)
    assert (np.cos(theta[:9]) > 0).all()
    assert (np.cos(theta[9:]) < 0).all()
    np.testing.assert_allclose(spacing_for_advance(theta, 0.5, 0.3), d, rtol=1e-12)
    assert np.isnan(phase_advance([0.3001, 0.4, 0.4999, 0.8001], 0.5, 0.3)).all()


def test_exit_slides_along_the_circle():
    # F10: dθ/dd = 1/√(d(2R−d)); case A: 1.909 mm for each millimetre [exact]
    d = 0.325047474166
    rate = (phase_advance(d + 1e-6, 0.4, 0.4) - phase_advance(d - 1e-6, 0.4, 0.4)) / 2e-6
    assert rate == pytest.approx(1.0 / math.sqrt(d * (0.8 - d)), rel=1e-9)
    assert 1e3 * exit_slide(0.015, 50, 1e-3, d, 0.4) == pytest.approx(1.909, abs=5e-4)


def test_clean_throughput_counts_reflections(build):
    # F16: R_m^(N−1), exact in the trace of a beam that clips nowhere [exact]
    orbit = reentrant_circle(50, 11, 0.4, 0.4, 0.015)
    beam = build.matched_beam(0.015, 0.0, *orbit.input_slopes(0.0), orbit.spacing_m, 0.4)
    exit = trace(build.cell(orbit.spacing_m, 0.4), beam, 60).exit
    assert exit.passes == 50
    assert exit.passes_power == pytest.approx(clean_throughput(0.985, 50), rel=1e-12)
    assert clean_throughput(0.985, 50) == pytest.approx(0.985**49, rel=1e-15)


def test_best_pass_counts_are_maxima():
    # F17: N = −1/ln R, throughput e⁻¹/R there; shot noise −2/ln R [exact]
    for r in (0.97, 0.985, 0.9995):
        n = np.linspace(1.0, 8.0 / (1.0 - r), 400_001)
        signal = n * clean_throughput(r, n)
        step = n[1] - n[0]
        assert best_passes(r) == pytest.approx(n[np.argmax(signal)], abs=2 * step)
        by_shot = signal / np.sqrt(clean_throughput(r, n))
        assert best_passes(r, "shot") == pytest.approx(n[np.argmax(by_shot)], abs=2 * step)
        assert clean_throughput(r, best_passes(r)) == pytest.approx(math.exp(-1) / r, rel=1e-12)
        assert best_passes(r) == pytest.approx(1.0 / (1.0 - r), abs=0.51)


def test_fringe_period_is_that_of_two_traced_paths(build):
    # F18: ΔL = p·d, period c/ΔL [exact]; here with the lengths the trace gives
    orbit = reentrant_circle(50, 11, 0.4, 0.4, 0.015)
    path = trace(
        build.cell(orbit.spacing_m, 0.4),
        build.beam(0.015, 0.0, *orbit.input_slopes(0.0)),
        50,
    )
    for early in (2, 14, 36):
        between = float(path.path_length_m[50] - path.path_length_m[50 - early])
        period = float(fringe_period_hz(early, orbit.spacing_m))
        assert period == pytest.approx(SPEED_OF_LIGHT_M_PER_S / between, rel=1e-6)
    # c is exact: SI brochure, 9th edition (2019) [std]
    assert SPEED_OF_LIGHT_M_PER_S == 299_792_458.0

"""Where the light goes: every part of it is accounted for, whatever the cell."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from autocell.optics.cell import Cell, Detector, Hole, InputBeam, Mirror
from autocell.optics.gaussian import edge_loss, hole_transmission, matched_mode
from autocell.optics.reentrance import circular_orbit, reentrant_circle, reentrant_spacings
from autocell.optics.trace import exit_power, trace

R, CIRCLE, WAVELENGTH = 0.4, 9e-3, 633e-9


def cell_of(spacing_m, *holes, reflectivity=0.985, aperture_radius_m=25.4e-3, **more):
    mirror = Mirror.spherical(R, aperture_radius_m, reflectivity)
    return Cell(spacing_m, mirror, mirror, holes, **more)


def beam_of(orbit, mode, azimuth=0.0):
    x, y = CIRCLE * np.cos(azimuth), CIRCLE * np.sin(azimuth)
    return InputBeam(
        x,
        y,
        *orbit.input_slopes(azimuth),
        WAVELENGTH,
        mode.waist_m,
        mode.waist_m,
        mode.waist_distance_m,
        mode.waist_distance_m,
    )


@pytest.fixture
def fifty():
    """The exact circle of fifty passes and its mode."""
    orbit = reentrant_circle(50, 8, R, R, CIRCLE)
    return orbit, matched_mode(orbit.spacing_m, R, R, WAVELENGTH)


ENTRANCE = Hole("entrance", CIRCLE, 0.0, 1.5e-3)


@pytest.mark.parametrize("spacing_m", [0.183, 0.1866, 0.1901, 0.2, 0.25])
@pytest.mark.parametrize("aperture_radius_m", [25.4e-3, 10.6e-3])
@pytest.mark.parametrize("quality", [1.0, 30.0])
def test_all_light_is_accounted_for(fifty, spacing_m, aperture_radius_m, quality):
    orbit, mode = fifty
    far_hole = Hole("far", 0.0, CIRCLE, 0.8e-3)
    cell = cell_of(spacing_m, ENTRANCE, far_hole, aperture_radius_m=aperture_radius_m)
    path = trace(cell, replace(beam_of(orbit, mode), beam_quality=quality), 80)
    out = path.leaks.sum(axis=-1)
    reflected = path.arriving - path.beyond_edge - out
    # what arrives next is what was reflected; the first step passes the hole with no mirror
    np.testing.assert_allclose(path.arriving[2:], 0.985 * reflected[1:-1], atol=1e-14)
    assert path.arriving[1] == pytest.approx(1.0 - path.beyond_edge[0], abs=1e-15)
    absorbed = 0.015 * reflected[1:]
    left = 0.985 * reflected[-1]
    total = out.sum() + path.beyond_edge.sum() + absorbed.sum() + left
    assert total == pytest.approx(1.0, abs=1e-13)
    assert (path.leaks >= 0.0).all()


def test_without_losses_everything_leaves_through_the_holes(fifty):
    orbit, mode = fifty
    path = trace(cell_of(orbit.spacing_m, ENTRANCE, reflectivity=1.0), beam_of(orbit, mode), 50)
    assert path.leaks.sum() + path.beyond_edge.sum() == pytest.approx(1.0, abs=1e-9)
    assert path.leaks[50, 0] > 0.999


def test_exit_is_the_sum_of_the_leaks_on_the_exit_mirror(fifty):
    orbit, mode = fifty
    holes = (ENTRANCE, Hole("entrance", -CIRCLE, 0.0, 1e-3), Hole("far", 0.0, CIRCLE, 1e-3))
    spacing = np.array([0.184, 0.1875, 0.19, 0.2])
    for mirror in ("entrance", "far"):
        cell = cell_of(spacing, *holes, exit_mirror=mirror)
        path = trace(cell, replace(beam_of(orbit, mode), beam_quality=9.0), 90)
        here = path.leaks[..., :2] if mirror == "entrance" else path.leaks[..., 2:]
        by_pass = here.sum(axis=-1)
        np.testing.assert_allclose(path.exit.power, by_pass.sum(axis=-1), rtol=1e-12, atol=1e-15)
        np.testing.assert_allclose(
            path.exit.mean_passes,
            (by_pass * np.arange(91)).sum(axis=-1) / by_pass.sum(axis=-1),
            rtol=1e-12,
        )
        strongest = here.max(axis=-1).argmax(axis=-1)
        np.testing.assert_array_equal(path.exit.passes, strongest)
        along = path.path_length_m[np.arange(4), strongest]
        np.testing.assert_allclose(path.exit.path_length_m, along, rtol=1e-14)


def test_an_odd_pass_count_leaves_through_a_hole_in_the_far_mirror():
    orbit = reentrant_circle(21, 5, R, R, CIRCLE)
    mode = matched_mode(orbit.spacing_m, R, R, WAVELENGTH)
    cell = cell_of(orbit.spacing_m, ENTRANCE, Hole("far", CIRCLE, 0.0, 1e-3), exit_mirror="far")
    seen = exit_power(cell, beam_of(orbit, mode), 100)
    assert seen.passes == 21
    assert seen.passes_power == pytest.approx(0.985**20, rel=1e-9)


def test_early_exit_through_a_second_hole(fifty):
    orbit, mode = fifty
    azimuth = 10 * orbit.advance_rad
    second = Hole("entrance", CIRCLE * np.cos(azimuth), CIRCLE * np.sin(azimuth), 1e-3)
    seen = exit_power(cell_of(orbit.spacing_m, ENTRANCE, second), beam_of(orbit, mode), 100)
    assert seen.passes == 10
    assert seen.power == pytest.approx(0.985**9, rel=1e-6)


def test_detector_sees_what_its_aperture_lets_through(fifty):
    # on the axis the beam leaves with the radius it has after so much free space
    mode = fifty[1]
    waist, out, distance = 3e-4, 0.1, 0.35
    hole = Hole("entrance", 0.0, 0.0, 20e-3)
    d = 0.19
    beam = InputBeam(0.0, 0.0, 0.0, 0.0, WAVELENGTH, waist, waist, out, out)
    q = complex(d - out, np.pi * waist**2 / WAVELENGTH)
    q = 1.0 / (1.0 / q - 2.0 / R) + d + distance
    radius = np.sqrt(-WAVELENGTH / np.pi / (1.0 / q).imag)
    for a, x, y in ((0.5e-3, 0.0, 0.0), (0.8e-3, 0.3e-3, -0.4e-3), (np.inf, 0.0, 0.0)):
        cell = cell_of(d, hole, detector=Detector(a, distance, x, y))
        expected = 0.985 * hole_transmission(a, np.hypot(x, y), radius)
        assert exit_power(cell, beam, 2).power == pytest.approx(float(expected), abs=1e-12)
    assert mode.waist_m > 0.0


def test_detector_stands_in_a_plane_at_its_distance_from_the_vertex(fifty):
    # a beam that leaves at a slope is where its chief ray crosses that plane
    orbit, mode = fifty
    distance = 0.25
    cell = cell_of(orbit.spacing_m, ENTRANCE)
    path = trace(cell, beam_of(orbit, mode), 50)
    start, u = path.position_m[50], path.direction[49]
    at = start + (-distance - start[2]) / u[2] * u
    small = 0.1e-3

    def seen(x, y):
        cell_here = replace(cell, detector=Detector(small, distance, x, y))
        return float(exit_power(cell_here, beam_of(orbit, mode), 60).power)

    # symmetric about the crossing, whichever way the detector is moved
    for dx, dy in ((1e-4, 0.0), (0.0, 1e-4), (7e-5, -7e-5)):
        assert seen(at[0] + dx, at[1] + dy) == pytest.approx(seen(at[0] - dx, at[1] - dy), rel=1e-9)


def test_power_does_not_depend_on_how_a_batch_is_cut(fifty):
    orbit, mode = fifty
    rng = np.random.default_rng(7)
    shape = (3, 700)
    cell = cell_of(0.186 + rng.normal(0.0, 2e-3, shape), ENTRANCE)
    beam = replace(
        beam_of(orbit, mode), slope_y=orbit.tangential_slope + rng.normal(0, 1e-3, shape)
    )
    whole = exit_power(cell, beam, 120)
    assert whole.power.shape == shape
    in_threads = exit_power(cell, beam, 120, threads=2)
    one = exit_power(
        cell.at_spacing(cell.spacing_m[2, 345]), replace(beam, slope_y=beam.slope_y[2, 345]), 120
    )
    kept = trace(cell, beam, 120).exit
    for name in ("power", "passes", "passes_power", "path_length_m", "mean_passes"):
        a = getattr(whole, name)
        np.testing.assert_array_equal(a, getattr(in_threads, name))
        np.testing.assert_allclose(a[2, 345], getattr(one, name), rtol=1e-12)
        if name not in ("passes", "path_length_m"):
            np.testing.assert_allclose(a, getattr(kept, name), rtol=1e-8, atol=2e-10)


def test_light_below_the_floor_is_all_that_is_given_up(fifty):
    orbit, mode = fifty
    cell, beam = cell_of(np.linspace(0.18, 0.2, 60), ENTRANCE), beam_of(orbit, mode)
    exact = exit_power(cell, beam, 400, floor=0.0)
    rough = exit_power(cell, beam, 400, floor=1e-4)
    assert np.abs(exact.power - rough.power).max() <= 1e-4


def test_a_ray_that_misses_a_mirror_ends_there():
    cell = replace(
        cell_of(0.05, Hole("entrance", 0.2, 0.0, 1e-3), aperture_radius_m=0.3),
        far_mirror=Mirror.spherical(0.1, 0.3, 0.985),
    )
    beam = InputBeam(0.2, 0.0, 0.0, 0.0, WAVELENGTH, 2e-4, 2e-4, 0.1, 0.1)
    path = trace(cell, beam, 5)
    assert np.isfinite(path.position_m[0]).all()
    assert np.isnan(path.position_m[1:]).all()
    assert path.exit.power == 0.0
    assert exit_power(cell, beam, 5).power == 0.0


def test_the_entrance_must_be_on_the_entrance_mirror(fifty):
    orbit, mode = fifty
    for holes in ((), (Hole("far", 0.0, 0.0, 1e-3),)):
        with pytest.raises(ValueError, match="the first hole is the entrance"):
            exit_power(cell_of(0.2, *holes), beam_of(orbit, mode), 10)


def test_arrays_that_do_not_broadcast_are_refused(fifty):
    orbit, mode = fifty
    cell = cell_of(np.zeros(3) + 0.2, Hole("entrance", np.zeros(4), 0.0, 1e-3))
    with pytest.raises(ValueError, match="broadcast"):
        trace(cell, beam_of(orbit, mode), 10)


def test_no_circle_on_an_unstable_cell():
    for spacing, radii, circle in ((0.81, (0.4, 0.4), 0.01), (0.4, (0.5, 0.3), 0.01)):
        with pytest.raises(ValueError, match="unstable"):
            circular_orbit(spacing, *radii, circle)
    with pytest.raises(ValueError, match="radius of curvature"):
        circular_orbit(0.3, 0.4, 0.4, 0.4)
    with pytest.raises(ValueError, match="quarter turn"):
        reentrant_circle(4, 1, 0.5, 0.3, 0.01)


def test_fewer_than_no_passes_are_refused():
    orbit = reentrant_circle(50, 8, R, R, CIRCLE)
    cell = cell_of(orbit.spacing_m, Hole("entrance", CIRCLE, 0.0, 1.5e-3))
    beam = beam_of(orbit, matched_mode(orbit.spacing_m, R, R, WAVELENGTH))
    assert len(trace(cell, beam, 0).position_m) == 1
    for ask in (trace, exit_power):
        with pytest.raises(ValueError, match="0 passes or more, not -1"):
            ask(cell, beam, -1)


@pytest.mark.parametrize("what", ["hole", "exit"])
def test_a_name_that_is_no_mirror_is_refused(what):
    orbit = reentrant_circle(50, 8, R, R, CIRCLE)
    entrance = Hole("entrance", CIRCLE, 0.0, 1.5e-3)
    if what == "hole":
        cell = cell_of(orbit.spacing_m, entrance, Hole("M2", CIRCLE, 0.0, 1.5e-3))
    else:
        cell = cell_of(orbit.spacing_m, entrance, exit_mirror="M2")
    beam = beam_of(orbit, matched_mode(orbit.spacing_m, R, R, WAVELENGTH))
    for ask in (trace, exit_power):
        with pytest.raises(ValueError, match="'M2' is no mirror; there are entrance, far"):
            ask(cell, beam, 50)


def test_what_is_no_cell_stays_dark_among_others_and_is_not_traced(fifty):
    orbit, mode = fifty
    beam = beam_of(orbit, mode)
    good = cell_of(orbit.spacing_m, Hole("entrance", CIRCLE, 0.0, 1.5e-3))
    radius = np.array([R, -R, 0.0, np.inf, np.nan])
    far = replace(good.far_mirror, radius_x_m=radius, radius_y_m=radius)
    power = exit_power(replace(good, far_mirror=far), beam, 60).power
    assert power[0] == exit_power(good, beam, 60).power > 0.4
    assert (power[1:] == 0.0).all()
    spacing = orbit.spacing_m * np.array([1.0, 0.0, -1.0, np.nan])
    assert (exit_power(good.at_spacing(spacing), beam, 60).power[1:] == 0.0).all()
    for wrong in (-R, 0.0, np.inf):
        mirror = Mirror.spherical(wrong, 25.4e-3, 0.985)
        with pytest.raises(ValueError, match="the far mirror must be concave"):
            trace(replace(good, far_mirror=mirror), beam, 10)
        with pytest.raises(ValueError, match="the entrance mirror must be concave"):
            trace(replace(good, entrance_mirror=mirror), beam, 10)
    for wrong in (0.0, -0.1):
        with pytest.raises(ValueError, match="must be apart"):
            trace(good.at_spacing(wrong), beam, 10)


def test_a_flat_mirror_is_one_of_a_thousand_kilometres(fifty):
    """Two arms folded by a plane are a symmetric cell of twice the length [exact]."""
    _, mode = fifty
    half = circular_orbit(0.3, R, R, CIRCLE)
    hole = Hole("entrance", CIRCLE, 0.0, 1e-6)
    beam = replace(beam_of(half, mode), slope_x=half.radial_slope, slope_y=half.tangential_slope)
    folded = replace(cell_of(0.15, hole), far_mirror=Mirror.spherical(1e6, 25.4e-3, 0.985))
    whole = trace(cell_of(0.3, hole), beam, 30).position_m[::2, :2]
    # every second arrival at the curved mirror of the fold is one at the far mirror of the whole
    assert np.abs(trace(folded, beam, 60).position_m[::4, :2] - whole).max() < 1e-7


def test_an_empty_batch_is_followed_to_an_empty_answer(fifty):
    orbit, mode = fifty
    cell = cell_of(np.empty((0, 3)), Hole("entrance", CIRCLE, 0.0, 1.5e-3))
    for threads in (1, 2):
        seen = exit_power(cell, beam_of(orbit, mode), 60, threads=threads)
        assert seen.power.shape == seen.passes.shape == (0, 3)
    path = trace(cell, beam_of(orbit, mode), 6)
    assert path.position_m.shape == (0, 3, 7, 3)
    assert path.leaks.shape == (0, 3, 7, 1)


def test_fewer_threads_than_one_are_refused(fifty):
    orbit, mode = fifty
    cell = cell_of(orbit.spacing_m, Hole("entrance", CIRCLE, 0.0, 1.5e-3))
    for threads in (0, -1):
        with pytest.raises(ValueError, match="on 1 thread or more"):
            exit_power(cell, beam_of(orbit, mode), 60, threads=threads)


def test_a_closed_hole_lets_nothing_through(fifty):
    orbit, mode = fifty
    beam = beam_of(orbit, mode)
    for radius_m in (0.0, -1.5e-3):
        closed = cell_of(orbit.spacing_m, Hole("entrance", CIRCLE, 0.0, radius_m))
        assert exit_power(closed, beam, 60).power == 0.0
        assert hole_transmission(radius_m, 0.0, 2e-4) == 0.0
        assert edge_loss(radius_m, 0.0, 2e-4) == 1.0


@pytest.mark.parametrize("turns", [0, 5, 6, -1])
def test_no_circle_without_a_turn_or_with_half_a_turn_a_pass(turns):
    with pytest.raises(ValueError, match=f"{turns} turns in 10 passes"):
        reentrant_circle(10, turns, R, R, CIRCLE)


def test_settings_are_listed_for_mirrors_that_exist():
    with pytest.raises(ValueError, match="'M2' is no mirror"):
        reentrant_spacings(R, R, 0.1, 0.3, 20, "M2")
    assert not len(reentrant_spacings(R, R, 0.0, 0.8, 2))  # two passes close on no orbit
    assert not len(reentrant_spacings(R, R, 0.3, 0.1, 20))
    assert not len(reentrant_spacings(R, R, 0.8, 1.5, 20))  # beyond 2R

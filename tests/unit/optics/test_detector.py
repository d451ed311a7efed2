"""What a detector collects: by place, by direction, and beside the path."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import dblquad

from autocell.optics.cell import Cell, Detector, Hole, InputBeam, Mirror
from autocell.optics.gaussian import hole_transmission, matched_mode
from autocell.optics.reentrance import reentrant_circle
from autocell.optics.spots import leak_table
from autocell.optics.trace import exit_power, trace

R, D, WAVELENGTH = 0.4, 0.19, 633e-9
REFLECTIVITY = 0.985
MIRROR = Mirror.spherical(R, 25.4e-3, REFLECTIVITY)
WIDE = Cell(D, MIRROR, MIRROR, (Hole("entrance", 0.0, 0.0, 20e-3),))
"""All the light leaves after two passes, whatever the beam."""


def divergence(waist_m, ahead_m, beam_quality=1.0):
    """Half-angle λ M²/(π w0) of a beam after two passes on the axis (ISO 11146-1:2021; ABCD)."""
    wavelength = beam_quality * WAVELENGTH
    q = complex(D - ahead_m, np.pi * waist_m**2 / wavelength)
    q = 1.0 / (1.0 / q - 2.0 / R)
    return np.sqrt(wavelength / (np.pi * q.imag))


@pytest.mark.parametrize("beam_quality", [1.0, 2.5])
@pytest.mark.parametrize(("slope_x", "slope_y"), [(0.0, 0.0), (1.2e-3, -0.9e-3), (4e-3, 0.0)])
def test_of_a_round_beam_the_cone_takes_what_a_hole_takes_in_the_far_field(
    beam_quality, slope_x, slope_y
):
    waist, ahead = 1.5e-4, 0.1
    beam = InputBeam(
        0.0, 0.0, 0.0, 0.0, WAVELENGTH, waist, waist, ahead, ahead, beam_quality=beam_quality
    )
    theta = divergence(waist, ahead, beam_quality)
    for acceptance in (0.5e-3, 1.5e-3, 3e-3):
        eye = Detector(acceptance_rad=acceptance, slope_x=slope_x, slope_y=slope_y)
        seen = exit_power(replace(WIDE, detector=eye), beam, 2)
        # in direction cosines, as the angular spectrum of a plane has it
        off = np.sin(np.arctan(np.hypot(slope_x, slope_y)))
        expected = REFLECTIVITY * hole_transmission(np.sin(acceptance), off, theta)
        assert seen.power == pytest.approx(float(expected), abs=1e-12)


def test_of_an_elliptical_beam_the_cone_takes_its_part_of_both_divergences():
    waists, aheads, turned = (1.2e-4, 2.4e-4), (0.12, 0.05), 0.6
    beam = InputBeam(0.0, 0.0, 0.0, 0.0, WAVELENGTH, *waists, *aheads, ellipse_angle_rad=turned)
    theta = [divergence(*axis) for axis in zip(waists, aheads, strict=True)]
    acceptance, slope_x, slope_y = 1.3e-3, 0.8e-3, 0.5e-3
    c, s = np.cos(turned), np.sin(turned)

    def intensity(along, radius):
        x, y = slope_x + radius * np.cos(along), slope_y + radius * np.sin(along)
        u, v = (c * x + s * y) / theta[0], (c * y - s * x) / theta[1]
        return 2.0 / (np.pi * theta[0] * theta[1]) * np.exp(-2.0 * (u * u + v * v)) * radius

    expected, _ = dblquad(intensity, 0.0, acceptance, 0.0, 2.0 * np.pi, epsabs=1e-11)
    eye = Detector(acceptance_rad=acceptance, slope_x=slope_x, slope_y=slope_y)
    seen = exit_power(replace(WIDE, detector=eye), beam, 2)
    assert seen.power == pytest.approx(REFLECTIVITY * expected, abs=1e-6)  # slopes for sines


def test_far_away_a_detector_sees_by_place_what_a_cone_sees_by_direction():
    # a mirror and a beam that are elliptical along different axes: general astigmatism
    far_mirror = Mirror(R, 0.8 * R, 25.4e-3, REFLECTIVITY)
    cell = replace(WIDE, far_mirror=far_mirror)
    beam = InputBeam(2e-3, 1e-3, -3e-3, 2e-3, WAVELENGTH, 1.2e-4, 2e-4, 0.12, 0.05, 0.4)
    far_away = 3e4
    path = trace(cell, beam, 2)
    ux, uy, uz = path.direction[1]
    for cone, off_x, off_y in ((1e-3, 0.0, 0.0), (1e-3, 0.7e-3, 0.4e-3), (0.5e-3, 0.0, -1e-3)):
        faces_x, faces_y = ux / uz + off_x, uy / uz + off_y
        x, y = path.position_m[2, :2] - far_away * np.array([faces_x, faces_y])
        there = Detector(cone * far_away, far_away, x, y)
        by_place = exit_power(replace(cell, detector=there), beam, 2).power
        eye = Detector(acceptance_rad=cone, slope_x=faces_x, slope_y=faces_y)
        by_direction = exit_power(replace(cell, detector=eye), beam, 2).power
        assert by_direction == pytest.approx(float(by_place), rel=3e-4)  # slopes of 12 mrad
        assert 0.05 < by_direction < 0.9


@pytest.fixture
def fifty():
    """Fifty passes on a circle of 9 mm, and a beam in the mode of the cell."""
    orbit = reentrant_circle(50, 8, R, R, 9e-3)
    mode = matched_mode(orbit.spacing_m, R, R, WAVELENGTH)
    ahead, waist = mode.waist_distance_m, mode.waist_m
    beam = InputBeam(9e-3, 0.0, *orbit.input_slopes(0.0), WAVELENGTH, waist, waist, ahead, ahead)
    return Cell(orbit.spacing_m, MIRROR, MIRROR, (Hole("entrance", 9e-3, 0.0, 1.5e-3),)), beam


@pytest.mark.parametrize("cone", [0.05, 0.3])
def test_half_of_the_light_comes_in_when_the_chief_ray_runs_along_the_edge_of_the_cone(fifty, cone):
    cell, beam = fifty
    u = -trace(cell, beam, 50).direction[49]
    whole = float(exit_power(cell, beam, 50).power)
    across = np.cross(u, [0.6, 0.8, 0.0])
    faces = np.cos(cone) * u + np.sin(cone) * across / np.linalg.norm(across)
    slope_x, slope_y = faces[:2] / faces[2]

    def share(acceptance):
        eye = Detector(acceptance_rad=acceptance, slope_x=slope_x, slope_y=slope_y)
        return float(exit_power(replace(cell, detector=eye), beam, 50).power) / whole

    assert share(cone) == pytest.approx(0.5, abs=0.01)  # a little less: the edge is round
    assert share(cone) < 0.5
    assert share(cone - 0.01) < 1e-12
    assert share(cone + 0.01) == pytest.approx(1.0, abs=1e-12)


def test_a_leak_from_another_direction_is_not_collected(fifty):
    # a second hole beside the spot of twenty passes takes a part of it
    cell, beam = fifty
    x, y, _ = trace(cell, beam, 50).position_m[20]
    second = Hole("entrance", x + 1.1e-3, y, 1e-3)
    cell = replace(cell, holes=(*cell.holes, second))
    leaks = {leak.pass_number: leak for leak in leak_table(trace(cell, beam, 50), least=1e-3)}
    assert set(leaks) == {20, 50}
    for wanted, other in ((20, 50), (50, 20)):
        leak = leaks[wanted]
        eye = Detector(acceptance_rad=10e-3, slope_x=leak.slope_x, slope_y=leak.slope_y)
        seen = exit_power(replace(cell, detector=eye), beam, 50)
        assert seen.passes == wanted
        assert seen.power == pytest.approx(leak.power, rel=1e-5)
        narrow = replace(eye, acceptance_rad=0.5e-3)
        part = exit_power(replace(cell, detector=narrow), beam, 50)
        assert 0.2 * leak.power < part.power < 0.8 * leak.power
        assert leaks[other].power > 0.05


@pytest.mark.parametrize(
    ("radius_m", "cone", "tightness"),
    [(3e-3, 1e-3, "cone"), (0.4e-3, 9e-3, "detector"), (0.6e-3, 1e-3, "both")],
)
def test_place_and_direction_multiply_where_one_of_them_is_tight(radius_m, cone, tightness):
    """A beam of M² = 4 as a cloud of rays, places and slopes drawn at its waist and carried by the
    matrices of free space and mirror [exact for a Gaussian beam in the paraxial limit]."""
    waist, ahead, quality, distance = 3e-4, 0.1, 4.0, 0.3
    beam = InputBeam(
        0.0, 0.0, 0.0, 0.0, WAVELENGTH, waist, waist, ahead, ahead, beam_quality=quality
    )
    eye = Detector(radius_m, distance, acceptance_rad=cone)
    ours = float(exit_power(replace(WIDE, detector=eye), beam, 2).power) / REFLECTIVITY
    rng = np.random.default_rng(4)
    count = 400_000
    # 1/e² radii are two standard deviations
    place = rng.normal(0.0, waist / 2, (2, count))
    slope = rng.normal(0.0, quality * WAVELENGTH / (np.pi * waist) / 2, (2, count))
    place = place + (D - ahead) * slope
    slope = slope - 2.0 / R * place
    place = place + (D + distance) * slope
    falls, comes = np.hypot(*place) < radius_m, np.hypot(*slope) < cone
    joint = (falls & comes).mean()
    noise = 4.0 * np.sqrt(0.25 / count)
    if tightness == "both":
        assert falls.mean() * comes.mean() - noise < joint < min(falls.mean(), comes.mean()) + noise
        assert joint > 1.05 * ours
    else:
        assert ours == pytest.approx(joint, abs=noise)
    assert ours == pytest.approx(falls.mean() * comes.mean(), abs=noise)
    assert 0.1 < ours < 0.95


def test_stray_light_is_read_but_makes_no_passes(fifty):
    cell, beam = fifty
    spacing = np.linspace(0.18, 0.21, 40)
    clean = exit_power(cell.at_spacing(spacing), beam, 60)
    stray = np.array([[0.0], [0.003], [0.2]])
    seen = exit_power(
        replace(cell.at_spacing(spacing), detector=Detector(stray_fraction=stray)), beam, 60
    )
    assert seen.power.shape == (3, 40)
    np.testing.assert_allclose(seen.power, clean.power + stray, rtol=1e-15)
    for name in ("path_power", "passes", "passes_power", "path_length_m", "mean_passes"):
        here, there = getattr(seen, name), getattr(clean, name)
        np.testing.assert_array_equal(here, np.broadcast_to(there, here.shape))
    np.testing.assert_array_equal(clean.power, clean.path_power)


def test_in_the_dark_stray_light_is_all_there_is(fifty):
    cell, beam = fifty
    dark = replace(
        cell,
        exit_mirror="far",
        detector=Detector(stray_fraction=0.01, acceptance_rad=1e-3),
    )
    seen = exit_power(dark, beam, 60)
    assert (seen.power, seen.path_power, seen.passes) == (0.01, 0.0, 0)


def test_a_detector_outside_the_far_mirror_lies_beyond_it_by_its_distance():
    # one pass, head-on at a small slope: the beam goes straight on to the plane d + distance, where
    # a detector as wide as its radius there collects 1 − exp(−2) (ISO 11146: 1/e² radius) [exact]
    waist, slope, distance = 2e-4, 2e-3, 0.35
    plane = D + distance
    beam = InputBeam(0.0, 0.0, slope, 0.0, WAVELENGTH, waist, waist, 0.0, 0.0)
    radius = waist * np.hypot(1.0, WAVELENGTH * plane / (np.pi * waist**2))
    holes = (Hole("entrance", 0.0, 0.0, 1.5e-3), Hole("far", 0.0, 0.0, 20e-3))
    there = Detector(radius, distance, slope * plane, 0.0)
    cell = replace(WIDE, holes=holes, exit_mirror="far", detector=there)
    entering = float(trace(cell, beam, 0).arriving[0])
    seen = exit_power(cell, beam, 1)
    assert seen.passes == 1
    assert seen.power / entering == pytest.approx(1.0 - np.exp(-2.0), rel=1e-4)
    aside = replace(there, x_m=slope * plane + 4.0 * radius)
    assert exit_power(replace(cell, detector=aside), beam, 1).power < 1e-6

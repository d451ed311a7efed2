"""Positions of the chief ray against tracers that nobody here wrote, and against 50 digits."""

from __future__ import annotations

import numpy as np
import pytest
from raysect.core import Point3D, Ray, Vector3D, World, translate
from raysect.primitive import Sphere

from autocell.optics.trace import trace

LAUNCH = (0.015, 0.0, -0.0375, 0.0453)
MISALIGNED = {
    "tilt_x_rad": 0.5e-3,
    "tilt_y_rad": -0.8e-3,
    "decentre_x_m": 0.3e-3,
    "decentre_y_m": -0.2e-3,
}


def raysect_trace(spacing_m, radius_1_m, radius_2_m, far, launch, passes):
    """Reflect between two raysect spheres; its intersections and normals, in millimetres.

    Source of the geometry: raysect.primitive.Sphere (hit, Intersection.normal).
    """
    normal = Vector3D(far.get("tilt_x_rad", 0.0), far.get("tilt_y_rad", 0.0), -1.0).normalise()
    r1, r2 = 1e3 * radius_1_m, 1e3 * radius_2_m
    world = World()
    one = Sphere(r1, parent=world, transform=translate(0.0, 0.0, r1))
    two = Sphere(
        r2,
        parent=world,
        transform=translate(
            1e3 * far.get("decentre_x_m", 0.0) + r2 * normal.x,
            1e3 * far.get("decentre_y_m", 0.0) + r2 * normal.y,
            1e3 * spacing_m + r2 * normal.z,
        ),
    )
    x, y, slope_x, slope_y = launch
    x, y = 1e3 * x, 1e3 * y
    point = Point3D(x, y, r1 - np.sqrt(r1**2 - x**2 - y**2))
    direction = Vector3D(slope_x, slope_y, 1.0).normalise()
    points, directions = [point], [direction]
    for n in range(1, passes + 1):
        mirror = two if n % 2 else one
        hit = mirror.hit(Ray(point, direction))
        point = hit.hit_point.transform(hit.primitive_to_world)
        m = hit.normal.transform(hit.primitive_to_world).normalise()
        direction = (direction - m * (2.0 * direction.dot(m))).normalise()
        points.append(point)
        directions.append(direction)
    return np.array([[*p] for p in points]), np.array([[*u] for u in directions])


@pytest.mark.parametrize("far", [{}, MISALIGNED], ids=["aligned", "M2 decentred and tilted"])
@pytest.mark.parametrize("radii", [(0.4, 0.4), (0.5, 0.35)], ids=["equal", "unequal"])
def test_sixty_passes_agree_with_raysect_to_a_tenth_of_a_picometre(build, far, radii):
    points_mm, directions = raysect_trace(0.3253, *radii, far, LAUNCH, 60)
    path = trace(build.cell(0.3253, *radii, far=far), build.beam(*LAUNCH), 60)
    np.testing.assert_allclose(1e3 * path.position_m, points_mm, rtol=0.0, atol=1e-10)
    np.testing.assert_allclose(path.direction, directions, rtol=0.0, atol=1e-12)


@pytest.mark.parametrize(
    ("spacing_m", "radii", "far", "launch"),
    [
        (0.3253, (0.4, 0.4), {}, LAUNCH),
        (0.3253, (0.4, 0.4), MISALIGNED, LAUNCH),
        (0.2, (0.5, 0.3), {}, (0.01, 0.0, -0.02, 0.03)),
    ],
    ids=["aligned", "M2 decentred and tilted", "unequal mirrors"],
)
def test_ten_thousand_passes_agree_with_fifty_digits(build, by_hand, spacing_m, radii, far, launch):
    tilt = (far.get("tilt_x_rad", 0.0), far.get("tilt_y_rad", 0.0))
    vertex = (far.get("decentre_x_m", 0.0), far.get("decentre_y_m", 0.0), spacing_m)
    mirrors = (
        by_hand.Sphere(radii[0], (0.0, 0.0, 0.0), 1),
        by_hand.Sphere(radii[1], vertex, -1, tilt),
    )
    arrivals = by_hand.trace(mirrors, *by_hand.start(*launch, radii[0]), 10_000)
    exact = by_hand.floats([hit for hit, _, _ in arrivals])
    path = trace(build.cell(spacing_m, *radii, far=far), build.beam(*launch), 10_000)
    apart_mm = 1e3 * np.abs(path.position_m[1:] - exact)
    assert apart_mm.max() < 1e-10
    assert apart_mm[:60].max() < 1e-12


def test_ten_thousand_passes_and_back_again_end_where_they_began(build):
    cell = build.cell(0.3253, 0.4, far=MISALIGNED)
    there = trace(cell, build.beam(*LAUNCH), 10_000)
    x, y, _ = there.position_m[-1]
    u = -there.direction[-2]
    back = trace(cell, build.beam(x, y, u[0] / u[2], u[1] / u[2]), 10_000)
    apart_mm = 1e3 * np.abs(back.position_m - there.position_m[::-1])
    assert apart_mm.max() < 1e-10


def leaves_at(launch, unit_again):
    """The pass at which a ray is 25 mm off the axis, 1000 where it stays: plain vectors in double
    precision, as one writes them down first."""
    radius, d = 0.4, 0.3253
    x, y, slope_x, slope_y = launch
    p = np.array([x, y, radius - np.sqrt(radius**2 - x**2 - y**2)])
    u = np.array([slope_x, slope_y, 1.0])
    u /= np.linalg.norm(u)
    for n in range(1, 1001):
        centre = np.array([0.0, 0.0, d - radius if n % 2 else radius])
        q = p - centre
        along = u @ q
        p = p + (np.sqrt(along**2 - q @ q + radius**2) - along) * u
        normal = (centre - p) / radius
        u = u - 2.0 * (u @ normal) * normal
        if unit_again:
            u /= np.linalg.norm(u)
        if np.hypot(p[0], p[1]) > 0.025:
            return n
    return 1000


def test_without_unit_directions_rays_leave_a_stable_cell(build):
    # docs/optics, the trace [exact]: rounding grows exponentially, after about fifty passes; here
    # after thirty, whose orbit goes out to 15 mm
    for step in range(5):
        launch = (0.015, 0.0, -0.0375 - 1e-6 * step, 0.0453)
        assert 20 <= leaves_at(launch, unit_again=False) <= 80
        assert leaves_at(launch, unit_again=True) == 1000
        path = trace(build.cell(0.3253, 0.4), build.beam(*launch), 1000)
        assert np.hypot(*path.position_m[:, :2].T).max() < 0.0151


def test_directions_stay_unit_and_angular_momentum_stays_put(build):
    path = trace(build.cell(0.3253, 0.4), build.beam(*LAUNCH), 10_000)
    assert np.abs(np.linalg.norm(path.direction, axis=-1) - 1.0).max() < 5e-16
    # the cell is a body of revolution: x u_y − y u_x is a constant of the motion
    x, y, _ = path.position_m.T
    ux, uy, _ = path.direction.T
    momentum = x * uy - y * ux
    assert np.abs(momentum - momentum[0]).max() < 1e-14 * abs(momentum[0]) * 100


def test_a_biconic_mirror_agrees_with_fifty_digits(build, by_hand):
    # radii 0.3 % apart in x and y, the most that is expected of a mirror [trade]
    far = {"radius_x_m": 0.4, "radius_y_m": 0.4012, **MISALIGNED}
    mirrors = (
        by_hand.Sphere(0.4, (0.0, 0.0, 0.0), 1),
        by_hand.Mirror(0.4, 0.4012, (0.3e-3, -0.2e-3, 0.3253), -1, (0.5e-3, -0.8e-3)),
    )
    arrivals = by_hand.trace(mirrors, *by_hand.start(*LAUNCH, 0.4), 500)
    exact = by_hand.floats([hit for hit, _, _ in arrivals])
    path = trace(build.cell(0.3253, 0.4, far=far), build.beam(*LAUNCH), 500)
    assert 1e3 * np.abs(path.position_m[1:] - exact).max() < 1e-10


def test_a_biconic_mirror_with_nearly_equal_radii_is_a_sphere(build):
    launch = build.beam(*LAUNCH)
    sphere = trace(build.cell(0.3253, 0.4, far=MISALIGNED), launch, 60)
    nearly = {"radius_y_m": np.nextafter(0.4, 1.0)}
    biconic = trace(
        build.cell(0.3253, 0.4, entrance=nearly, far={**MISALIGNED, **nearly}), launch, 60
    )
    np.testing.assert_allclose(biconic.position_m, sphere.position_m, rtol=0.0, atol=1e-13)
    np.testing.assert_allclose(biconic.footprint_per_m2, sphere.footprint_per_m2, rtol=1e-10)


def test_an_abcd_matrix_would_not_do(build):
    # docs/optics: paraxial positions are of the order of 0.2 mm off within 60 passes [exact]
    theta = np.arccos(1.0 - 0.3253 / 0.4)
    x0, _, slope_x, _ = LAUNCH
    n = np.arange(61)
    paraxial = x0 * np.cos(n * theta) + np.sqrt(0.3253 / (0.8 - 0.3253)) * (
        x0 + 0.4 * slope_x
    ) * np.sin(n * theta)
    path = trace(build.cell(0.3253, 0.4), build.beam(*LAUNCH), 60)
    assert 0.1e-3 < np.abs(path.position_m[:, 0] - paraxial).max() < 1e-3

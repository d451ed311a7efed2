"""The Gaussian beam: matched mode, complex beam parameter on axis, astigmatism off it."""

from __future__ import annotations

import math

import numpy as np
import pytest
from raytracing import CurvedMirror, GaussianBeam, Space

from autocell.optics.gaussian import matched_mode
from autocell.optics.reentrance import circular_orbit
from autocell.optics.trace import trace

WAVELENGTH = 633e-9
ORTHOGONAL = (1e3, 0.0, 1e-3)
"""A hole far away: nothing leaves and the beam on the axis goes on."""


def chain(radius_1_m, radius_2_m, spacing_m, waist_m, waist_distance_m, passes, quality=1.0):
    """1/q after each mirror by the matrices of the package raytracing, in its own units: λM².

    1/q = 1/R_w − i λM²/(πw²), w the beam's radius and R_w that of its wavefront. Source:
    raytracing.GaussianBeam, Space, CurvedMirror (concave mirrors have negative R).
    """
    wavelength = WAVELENGTH * quality
    rayleigh = math.pi * waist_m**2 / wavelength
    beam = GaussianBeam(q=complex(-waist_distance_m, rayleigh), wavelength=wavelength)
    per_q = [1.0 / beam.q]
    for n in range(1, passes + 1):
        beam = CurvedMirror(-(radius_2_m if n % 2 else radius_1_m)) * (Space(spacing_m) * beam)
        per_q.append(1.0 / beam.q)
    return np.array(per_q)


def radius_m(per_q, quality=1.0):
    """The beam radius w in 1/q = 1/R_w − i λM²/(πw²)."""
    return np.sqrt(-WAVELENGTH * quality / (np.pi * per_q.imag))


def per_q_along(path, axis, quality=1.0):
    """1/q of a traced beam along x or y at each mirror, where it meets it head-on."""
    k = {"x": 0, "y": 2}[axis]
    blur = WAVELENGTH * quality / np.pi
    return path.wavefront_per_m[:, k] - 1j * blur * path.footprint_per_m2[:, k]


@pytest.mark.parametrize("radii", [(0.4, 0.4), (0.5, 0.3)], ids=["equal", "unequal"])
@pytest.mark.parametrize(
    ("waist_m", "distance_m", "quality"),
    [(2e-4, 0.1, 1.0), (1.2e-4, -0.05, 1.0), (3e-4, 0.3, 1.7)],
)
def test_complex_beam_parameter_on_axis(build, radii, waist_m, distance_m, quality):
    spacing_m = 0.21
    beam = build.beam(
        0.0, 0.0, 0.0, 0.0, waist_m=waist_m, waist_distance_m=distance_m, beam_quality=quality
    )
    path = trace(build.cell(spacing_m, *radii, hole=ORTHOGONAL), beam, 60)
    expected = chain(*radii, spacing_m, waist_m, distance_m, 60, quality)
    for axis in "xy":
        ours = per_q_along(path, axis, quality)
        assert np.abs(ours / expected - 1.0).max() < 1e-12  # of q as a whole
        # and of the curvature by itself, wherever the wavefront is not all but flat
        curved = np.abs(expected.real) > 0.01 * np.abs(expected)
        assert curved.sum() > 55
        np.testing.assert_allclose(ours.real[curved], expected.real[curved], rtol=1e-11)
    assert (path.wavefront_per_m[:, 1] == 0.0).all()
    for radius in path.beam_radii_m:
        np.testing.assert_allclose(radius, radius_m(expected, quality), rtol=1e-12)


def test_a_biconic_mirror_on_axis_is_two_cells_in_one(build):
    # the analytic curvatures: x sees Rx, y sees Ry
    far = {"radius_x_m": 0.4, "radius_y_m": 0.43}
    entrance = {"radius_x_m": 0.41, "radius_y_m": 0.39}
    beam = build.beam(
        0.0,
        0.0,
        0.0,
        0.0,
        waist_x_m=2e-4,
        waist_y_m=1.5e-4,
        waist_distance_x_m=0.1,
        waist_distance_y_m=0.2,
    )
    cell = build.cell(0.3, 0.4, entrance=entrance, far=far, hole=ORTHOGONAL)
    path = trace(cell, beam, 60)
    in_x = chain(0.41, 0.4, 0.3, 2e-4, 0.1, 60)
    in_y = chain(0.39, 0.43, 0.3, 1.5e-4, 0.2, 60)
    assert np.abs(per_q_along(path, "x") / in_x - 1.0).max() < 1e-12
    assert np.abs(per_q_along(path, "y") / in_y - 1.0).max() < 1e-12
    assert (path.footprint_per_m2[:, 1] == 0.0).all()
    assert (path.wavefront_per_m[:, 1] == 0.0).all()


def test_matched_mode_of_unequal_mirrors():
    # F13, unequal mirrors [exact]: R1 = 500, R2 = 300, d = 200 mm, λ = 633 nm
    mode = matched_mode(0.2, 0.5, 0.3, WAVELENGTH)
    assert 1e3 * mode.entrance_radius_m == pytest.approx(0.183253, abs=5.1e-7)
    assert 1e3 * mode.far_radius_m == pytest.approx(0.245860, abs=5.1e-7)
    assert 1e3 * mode.waist_m == pytest.approx(0.173849, abs=5.1e-7)
    assert 1e3 * mode.waist_distance_m == pytest.approx(50.0, abs=1e-9)


def test_matched_mode_of_equal_mirrors_is_the_short_formula():
    # F12: Kogelnik & Li, Appl. Opt. 5, 1550 (1966) [mem]
    R = 0.4
    d = np.array([0.01, 0.1, 0.3999, 0.4, 0.6, 0.79])
    mode = matched_mode(d, R, R, WAVELENGTH)
    root = np.sqrt(d * (2 * R - d))
    np.testing.assert_allclose(mode.waist_m**2, WAVELENGTH / (2 * np.pi) * root, rtol=1e-14)
    at_mirror = WAVELENGTH * R / np.pi * np.sqrt(d / (2 * R - d))
    np.testing.assert_allclose(mode.entrance_radius_m**2, at_mirror, rtol=1e-14)
    np.testing.assert_allclose(mode.far_radius_m**2, at_mirror, rtol=1e-14)
    np.testing.assert_allclose(mode.rayleigh_m, root / 2, rtol=1e-14)
    np.testing.assert_allclose(mode.waist_distance_m, d / 2, rtol=1e-14)
    assert np.isnan(matched_mode([-0.1, 0.81], R, R, WAVELENGTH).waist_m).all()


@pytest.mark.parametrize("radii", [(0.5, 0.3), (0.3, 0.5), (0.4, 0.4)])
@pytest.mark.parametrize("spacing_m", [0.15, 0.29, 0.52])
def test_matched_mode_repeats_itself(build, radii, spacing_m):
    # F13 against the package raytracing: the mode must come back after each round trip
    mode = matched_mode(spacing_m, *radii, WAVELENGTH)
    per_q = chain(*radii, spacing_m, float(mode.waist_m), float(mode.waist_distance_m), 40)
    w = radius_m(per_q)
    np.testing.assert_allclose(w[0::2], mode.entrance_radius_m, rtol=1e-10)
    np.testing.assert_allclose(w[1::2], mode.far_radius_m, rtol=1e-10)
    # on the mirrors the wavefront has their shape, and after them it is hollow towards the cell
    np.testing.assert_allclose(per_q.real[0::2], -1.0 / radii[0], rtol=1e-9)
    np.testing.assert_allclose(per_q.real[1::2], -1.0 / radii[1], rtol=1e-9)


def test_off_axis_beam_tends_to_the_round_one(build):
    mode = matched_mode(0.31, 0.4, 0.4, WAVELENGTH)
    unround = []
    for r in (4e-3, 2e-3, 1e-3):
        orbit = circular_orbit(0.31, 0.4, 0.4, r)
        beam = build.matched_beam(r, 0.0, *orbit.input_slopes(0.0), 0.31, 0.4)
        large, small = trace(build.cell(0.31, 0.4), beam, 60).beam_radii_m
        unround.append((large / small).max() - 1.0)
        np.testing.assert_allclose(large, mode.entrance_radius_m, rtol=20 * (r / 0.4) ** 2 * 60)
    # astigmatism is of second order in the incidence
    assert unround[0] / unround[1] == pytest.approx(4.0, rel=0.05)
    assert unround[1] / unround[2] == pytest.approx(4.0, rel=0.05)


@pytest.mark.parametrize("plane", ["x", "y"])
@pytest.mark.parametrize("tilt", [0.02, 0.1, 0.2])
@pytest.mark.parametrize("back_m", [0.11, 0.2, 0.37])
def test_one_mirror_off_axis_has_a_tangential_and_a_sagittal_focus(build, plane, tilt, back_m):
    # F14: f = (R/2) cos i in the plane of incidence, R/(2 cos i) across it [mem].
    # Straight onto the vertex of a tilted M2, back to M1 at 2i; the same in both planes
    R, waist, out = 0.4, 3e-4, 0.05
    cell = build.cell(back_m, 5.0, R, far={f"tilt_{plane}_rad": tilt}, aperture_radius_m=1.0)
    beam = build.beam(0.0, 0.0, 0.0, 0.0, waist_m=waist, waist_distance_m=out)
    path = trace(cell, beam, 2)
    i = path.incidence_rad[1]
    assert math.tan(i) == pytest.approx(tilt, rel=1e-13)
    q = complex(back_m - out, math.pi * waist**2 / WAVELENGTH)
    expected = []
    for focal in (0.5 * R * math.cos(i), 0.5 * R / math.cos(i)):
        after = 1.0 / (1.0 / q - 1.0 / focal) + path.chord_m[2]
        expected.append((math.pi / WAVELENGTH) * -(1.0 / after).imag)  # 1/w²
    # footprint on M1: a step ξ along its tangent plane, seen across the ray
    position, before = path.position_m[2], path.direction[1]
    normal = np.array([-position[0], -position[1], 5.0 - position[2]]) / 5.0
    k = 0 if plane == "x" else 1
    along = np.zeros(3)
    along[k], along[2] = 1.0, -normal[k] / normal[2]
    across = along - before * (before @ along)
    sxx, sxy, syy = path.footprint_per_m2[2]
    in_plane, out_of_plane = (sxx, syy) if plane == "x" else (syy, sxx)
    assert in_plane == pytest.approx(expected[0] * (across @ across), rel=1e-11)
    assert out_of_plane == pytest.approx(expected[1], rel=1e-11)
    assert abs(sxy) < 1e-12 * sxx


def test_footprint_at_the_entrance_lies_on_the_mirror(build):
    # at its waist a round beam has the same radius in every direction across the ray; a step on
    # the mirror's tangent plane is longer than its part across the ray
    waist = 2e-4
    for entrance in ({}, {"radius_y_m": 0.41}, {"tilt_x_rad": 0.02, "tilt_y_rad": -0.01}):
        cell = build.cell(0.31, 0.4, entrance=entrance)
        beam = build.beam(0.02, -0.01, 0.2, 0.1, waist_m=waist, waist_distance_m=0.0)
        path = trace(cell, beam, 1)
        u = path.direction[0]
        # the normal by finite differences of the surface itself, entered at four points nearby
        near = 1e-5
        heights = [
            trace(cell, build.beam(0.02 + dx, -0.01 + dy, 0.0, 0.0), 1).position_m[0, 2]
            for dx, dy in ((near, 0.0), (-near, 0.0), (0.0, near), (0.0, -near))
        ]
        steps = np.array(
            [
                [1.0, 0.0, (heights[0] - heights[1]) / (2 * near)],
                [0.0, 1.0, (heights[2] - heights[3]) / (2 * near)],
            ]
        )
        across = steps - np.outer(steps @ u, u)
        sxx, sxy, syy = path.footprint_per_m2[0]
        expected = across @ across.T / waist**2
        np.testing.assert_allclose([[sxx, sxy], [sxy, syy]], expected, rtol=0, atol=1e-8 * sxx)


def test_turning_the_whole_bench_turns_the_spots(build):
    x, y, sx, sy = 0.012, 0.003, -0.02, 0.035
    phi = 0.83
    c, s = math.cos(phi), math.sin(phi)
    ellipse = {"waist_x_m": 2e-4, "waist_y_m": 3e-4}
    cell = build.cell(0.31, 0.4, 0.45)
    plain = trace(cell, build.beam(x, y, sx, sy, **ellipse, ellipse_angle_rad=0.2), 60)
    # the beam's x axis is the lab's, made normal to the ray: a turn about z by φ turns it by
    # φ up to the slope squared, so that the frame is followed exactly
    u = plain.direction[0]
    turn = np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])

    def frame(direction):
        e1 = np.array([1.0, 0.0, 0.0]) - direction[0] * direction
        e1 /= np.linalg.norm(e1)
        return e1, np.cross(direction, e1)

    e1, e2 = frame(u)
    axis = turn @ (math.cos(0.2) * e1 + math.sin(0.2) * e2)
    f1, f2 = frame(turn @ u)
    angle = math.atan2(axis @ f2, axis @ f1)
    beam = build.beam(
        c * x - s * y, s * x + c * y, c * sx - s * sy, s * sx + c * sy,
        **ellipse, ellipse_angle_rad=angle,
    )  # fmt: skip
    turned = trace(cell, beam, 60)
    np.testing.assert_allclose(turned.position_m, plain.position_m @ turn.T, atol=1e-14)
    for a, b in zip(turned.beam_radii_m, plain.beam_radii_m, strict=True):
        np.testing.assert_allclose(a, b, rtol=1e-11)
    lean = turned.ellipse_angle_rad - plain.ellipse_angle_rad - phi
    assert np.abs(np.sin(lean)).max() < 1e-9


def exact_linear_map(by_hand, mirrors, start, passes):
    """What a bundle of exact rays does around the chief ray, as 4×4 real matrices, pass by pass.

    Neighbours 1e-20 m and 1e-20 rad away, in 50 digits, met with the plane across the chief ray
    where it arrives: finite differences with no visible error. Returns maps, frames, directions
    and normals at each arrival.
    """
    p, u = start
    tiny = by_hand.tiny

    def frame(direction):
        e1 = by_hand.unit(tuple((k == 0) - direction[0] * direction[k] for k in range(3)))
        return e1, by_hand.cross(direction, e1)

    e = frame(u)
    chief = by_hand.trace(mirrors, p, u, passes)
    columns = []
    for shift, slope in ((0, None), (1, None), (None, 0), (None, 1)):
        near = p if shift is None else tuple(a + tiny * b for a, b in zip(p, e[shift], strict=True))
        lean = (
            u
            if slope is None
            else by_hand.unit(tuple(a + tiny * b for a, b in zip(u, e[slope], strict=True)))
        )
        column = []
        neighbours = by_hand.trace(mirrors, near, lean, passes)
        for (c, cu, _), (hit, hu, _) in zip(chief, neighbours, strict=True):
            f = frame(cu)
            back = tuple(a - b for a, b in zip(hit, c, strict=True))
            along = by_hand.dot(back, cu) / by_hand.dot(hu, cu)
            at = tuple(a - along * b for a, b in zip(back, hu, strict=True))
            turned = tuple(a - b for a, b in zip(hu, cu, strict=True))
            column.append([float(by_hand.dot(v, k) / tiny) for v in (at, turned) for k in f])
        columns.append(column)
    maps = np.array(columns).transpose(1, 2, 0)
    frames = np.array([[[float(a) for a in k] for k in frame(cu)] for _, cu, _ in chief])
    normals = np.array([[float(a) for a in m] for _, _, m in chief])
    return maps, frames, normals


@pytest.mark.parametrize("shape", ["spheres", "biconic, tilted and decentred"])
def test_beam_is_what_a_bundle_of_exact_rays_makes_of_it(build, by_hand, shape):
    # Arnaud & Kogelnik, Appl. Opt. 8, 1687 (1969) [mem]: Q⁻¹ → (C + D Q⁻¹)(A + B Q⁻¹)⁻¹
    launch = (0.015, 0.002, -0.0375, 0.0453)
    passes, d = 60, 0.3253
    if shape == "spheres":
        far = {}
        mirrors = (by_hand.Sphere(0.4, (0.0, 0.0, 0.0), 1), by_hand.Sphere(0.4, (0.0, 0.0, d), -1))
    else:
        far = {
            "radius_x_m": 0.4, "radius_y_m": 0.4012, "tilt_x_rad": 5e-4, "tilt_y_rad": -8e-4,
            "decentre_x_m": 3e-4, "decentre_y_m": -2e-4,
        }  # fmt: skip
        mirrors = (
            by_hand.Sphere(0.4, (0.0, 0.0, 0.0), 1),
            by_hand.Mirror(0.4, 0.4012, (3e-4, -2e-4, d), -1, (5e-4, -8e-4)),
        )
    start = by_hand.start(*launch, 0.4)
    maps, frames, normals = exact_linear_map(by_hand, mirrors, start, passes)

    # the map of a ray bundle is symplectic
    unit, nil = np.eye(2), np.zeros((2, 2))
    form = np.block([[nil, unit], [-unit, nil]])
    np.testing.assert_allclose(
        maps.transpose(0, 2, 1) @ form @ maps, np.broadcast_to(form, maps.shape), atol=1e-9
    )

    angle, waists, distances = 0.5, (2e-4, 2.7e-4), (0.16, 0.1)
    beam = build.beam(
        *launch,
        waist_x_m=waists[0], waist_y_m=waists[1],
        waist_distance_x_m=distances[0], waist_distance_y_m=distances[1],
        ellipse_angle_rad=angle,
    )  # fmt: skip
    path = trace(build.cell(d, 0.4, far=far), beam, passes)

    c, s = math.cos(angle), math.sin(angle)
    axes = np.array([[c, -s], [s, c]])
    inverse_q = np.diag(
        [
            1.0 / complex(-z, math.pi * w**2 / WAVELENGTH)
            for w, z in zip(waists, distances, strict=True)
        ]
    )
    curvature = axes @ inverse_q @ axes.T
    arriving_all = []
    for n in range(passes):
        a, b, c_, d_ = (maps[n][i : i + 2, j : j + 2] for i in (0, 2) for j in (0, 2))
        x, p = a + b @ curvature, c_ + d_ @ curvature
        arriving = p @ np.linalg.inv(x)
        arriving_all.append(arriving)
        across = -math.pi / WAVELENGTH * arriving.imag
        assert np.abs(across - across.T).max() < 1e-7 * np.abs(across).max()
        m = normals[n]
        steps = np.array([[1.0, 0.0, -m[0] / m[2]], [0.0, 1.0, -m[1] / m[2]]])
        j = frames[n] @ steps.T
        expected = j.T @ across @ j
        sxx, sxy, syy = path.footprint_per_m2[n + 1]
        np.testing.assert_allclose([[sxx, sxy], [sxy, syy]], expected, rtol=0, atol=1e-9 * sxx)
        # power: the beam's area follows the bundle's, |det X|² det S is conserved
        area = np.linalg.det(across) * abs(np.linalg.det(x)) ** 2
        assert area == pytest.approx(
            np.linalg.det(-math.pi / WAVELENGTH * curvature.imag), rel=1e-8
        )

    # the whole of Q⁻¹ as the beam goes on from a mirror: that of its next arrival, gone back
    for n in range(passes - 1):
        q = np.linalg.inv(arriving_all[n + 1]) - path.chord_m[n + 2] * np.eye(2)
        m = normals[n]
        steps = np.array([[1.0, 0.0, -m[0] / m[2]], [0.0, 1.0, -m[1] / m[2]]])
        j = frames[n + 1] @ steps.T
        expected = j.T @ np.linalg.inv(q) @ j
        ours = (
            path.wavefront_per_m[n + 1] - 1j * WAVELENGTH / math.pi * path.footprint_per_m2[n + 1]
        )
        apart = np.abs(ours - expected[[0, 0, 1], [0, 1, 1]])
        assert apart.max() < 1e-8 * np.abs(expected).max()

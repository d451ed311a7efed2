"""What a path says about its spots."""

from __future__ import annotations

import numpy as np
import pytest

from autocell.optics.cell import Cell, Hole, InputBeam, Mirror
from autocell.optics.trace import trace


@pytest.mark.parametrize("angle", [-1.2, 0.0, 0.3, 1.5])
def test_spot_ellipse_is_that_of_the_beam_put_in(angle):
    mirror = Mirror.spherical(0.4, 25e-3, 0.99)
    cell = Cell(0.2, mirror, mirror, (Hole("entrance", 0.0, 0.0, 5e-3),))
    beam = InputBeam(
        0.0, 0.0, 0.0, 0.0, 633e-9, 3e-4, 2e-4, 0.0, 0.0, ellipse_angle_rad=angle
    )  # fmt: skip
    path = trace(cell, beam, 4)
    large, small = path.beam_radii_m
    assert (large[0], small[0]) == pytest.approx((3e-4, 2e-4), rel=1e-12)
    assert np.sin(path.ellipse_angle_rad[0] - angle) == pytest.approx(0.0, abs=1e-12)
    # the axes of a beam on the axis of a sphere stay where they are, or change roles
    assert np.abs(np.sin(2.0 * (path.ellipse_angle_rad - angle))).max() < 1e-10


def test_lengths_add_up_and_shapes_follow_the_batch():
    mirror = Mirror.spherical(0.4, 25e-3, 0.99)
    spacing = np.array([[0.2, 0.21, 0.22], [0.3, 0.31, 0.32]])
    cell = Cell(spacing, mirror, mirror, (Hole("entrance", 8e-3, 0.0, 1e-3),))
    beam = InputBeam(8e-3, 0.0, -0.02, 0.02, 633e-9, 2e-4, 2e-4, 0.1, 0.1)
    path = trace(cell, beam, 12)
    assert path.position_m.shape == (2, 3, 13, 3)
    assert path.leaks.shape == (2, 3, 13, 1)
    assert path.exit.power.shape == (2, 3)
    steps = np.linalg.norm(np.diff(path.position_m, axis=-2), axis=-1)
    np.testing.assert_allclose(path.chord_m[..., 1:], steps, rtol=1e-14)
    np.testing.assert_allclose(path.path_length_m[..., -1], steps.sum(axis=-1), rtol=1e-14)

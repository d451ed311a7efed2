"""Case A of the physics: R = 400 mm, N = 50, k = 11, a circle of 15 mm, 633 nm, matched beam."""

from __future__ import annotations

from types import SimpleNamespace

import pytest

from autocell.optics.cell import Cell, Hole, InputBeam, Mirror
from autocell.optics.gaussian import matched_mode
from autocell.optics.reentrance import reentrant_circle


@pytest.fixture
def case_a() -> SimpleNamespace:
    radius, passes, circle = 0.4, 50, 0.015
    orbit = reentrant_circle(passes, 11, radius, radius, circle)
    mode = matched_mode(orbit.spacing_m, radius, radius, 633e-9)
    waist, distance = float(mode.waist_m), float(mode.waist_distance_m)
    beam = InputBeam(
        circle, 0.0, *orbit.input_slopes(0.0), 633e-9, waist, waist, distance, distance
    )
    mirror = Mirror.spherical(radius, 25e-3, 0.985)
    cell = Cell(orbit.spacing_m, mirror, mirror, (Hole("entrance", circle, 0.0, 1.5e-3),))
    return SimpleNamespace(
        cell=cell,
        beam=beam,
        passes=passes,
        orbit=orbit,
        mode=mode,
        radius_m=radius,
        circle_m=circle,
    )

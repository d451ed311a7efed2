"""Settings along one axis."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from autocell.bench.file import load, shipped
from autocell.scan import Scan

PEAT_BOG = load(shipped("peat-bog"))
HERE = replace(PEAT_BOG.zero, spacing_m=0.230, slope_y=0.072)


def test_along_the_spacing_a_place_is_the_nominal_spacing():
    scan = Scan.along(PEAT_BOG, "spacing", HERE)
    assert scan.here == 0.230
    assert scan.at(0.231) == replace(HERE, spacing_m=pytest.approx(0.231))
    assert scan.place(replace(HERE, spacing_m=0.2345)) == pytest.approx(0.2345)


def test_along_another_axis_a_place_is_where_that_axis_stands():
    scan = Scan.along(PEAT_BOG, "pitch", HERE)
    assert scan.here == pytest.approx(2e-3)  # the bench file has 70 mrad at zero
    assert scan.at(5e-3).slope_y == pytest.approx(0.075)
    positions = PEAT_BOG.positions(scan.at(5e-3))
    assert positions["pitch"] == pytest.approx(5e-3)
    assert scan.place(scan.at(-4e-3)) == pytest.approx(-4e-3)


@pytest.mark.parametrize("axis", list(PEAT_BOG.axes))
def test_what_may_be_asked_for_is_within_the_reach_of_the_axis(axis):
    scan = Scan.along(PEAT_BOG, axis, HERE)
    low, high = PEAT_BOG.reach(axis)
    ends = [PEAT_BOG.positions(scan.at(place))[axis] for place in (-10.0, 10.0)]
    assert ends == pytest.approx([low, high])
    between = scan.between(-10.0, 10.0, 5)
    assert [scan.place(setting) for setting in between] == pytest.approx(
        list(np.linspace(scan.low, scan.high, 5))
    )


def test_the_model_may_look_where_the_bench_may_not_go():
    scan = Scan.along(PEAT_BOG, "spacing", HERE)
    (beyond,) = scan.beyond([0.3])
    assert beyond.spacing_m == pytest.approx(0.3)
    assert scan.high < 0.3


def test_a_setting_off_the_scan_has_no_place_on_it():
    scan = Scan.along(PEAT_BOG, "spacing", HERE)
    assert np.isnan(scan.place(replace(HERE, slope_x=HERE.slope_x + 1e-4)))
    assert scan.place(replace(HERE, slope_x=HERE.slope_x + 1e-5)) == pytest.approx(0.230)

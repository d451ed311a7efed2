"""The way of one axis: approach from below, and how long it takes."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from autocell.bench.file import load, shipped
from autocell.bench.plan import plan_move, time_limit, travel_time

SPACING = load(shipped("peat-bog")).axes["spacing"]


def test_an_approach_from_above_first_goes_below_by_more_than_the_backlash() -> None:
    move = plan_move(SPACING, 0.030, 0.020, backlash_is_out=True)
    assert move is not None
    below, target = move.legs
    assert target == 0.020
    assert 0.020 - below > SPACING.backlash
    assert move.travel == pytest.approx(0.010 + 2 * SPACING.overshoot)


def test_a_long_approach_from_below_is_straight() -> None:
    move = plan_move(SPACING, 0.010, 0.020, backlash_is_out=False)
    assert move is not None
    assert move.legs == (0.020,)


@pytest.mark.parametrize(("backlash_is_out", "legs"), [(True, 1), (False, 2)])
def test_a_short_step_up_is_straight_only_if_the_last_motion_was_upwards(
    backlash_is_out: bool, legs: int
) -> None:
    step = SPACING.backlash / 2
    move = plan_move(SPACING, 0.020, 0.020 + step, backlash_is_out=backlash_is_out)
    assert move is not None
    assert len(move.legs) == legs


def test_an_axis_that_is_there_already_is_not_moved() -> None:
    nearly = 0.020 + 0.9 * SPACING.repeatability
    assert plan_move(SPACING, nearly, 0.020, backlash_is_out=False) is None


def test_an_axis_without_backlash_goes_straight_from_both_sides() -> None:
    closed_loop = replace(SPACING, backlash=0.0)
    move = plan_move(closed_loop, 0.030, 0.020, backlash_is_out=False)
    assert move is not None
    assert move.legs == (0.020,)


def test_travel_time_is_that_of_constant_acceleration() -> None:
    """Newton: s = a t²/2 on each half of a triangle; d/v + v/a for a trapezoid [exact]."""
    assert travel_time(SPACING, 0.010) == pytest.approx(0.010 / 0.005 + 0.005 / 0.020)
    assert travel_time(SPACING, -1e-4) == pytest.approx(2 * math.sqrt(1e-4 / 0.020))
    peak = SPACING.speed**2 / SPACING.acceleration
    assert travel_time(SPACING, peak) == pytest.approx(2 * SPACING.speed / SPACING.acceleration)


def test_the_time_limit_grows_with_the_distance() -> None:
    assert time_limit(SPACING, 0.05) > 1.4 * travel_time(SPACING, 0.05)
    assert time_limit(SPACING, 1e-6) < 2.0

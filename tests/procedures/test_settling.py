"""Settling where the least margin, in nights of drift, is largest."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from autocell.outcome import AxisMargin, least_margin
from autocell.procedures.settling import (
    locate_beam_edges,
    margins_at,
    steering_axes,
    widest_place,
)

from .conftest import Arrived, Start


def test_the_axes_that_turn_the_beam_are_pitch_and_yaw(arrived: Arrived) -> None:
    assert steering_axes(arrived.tuning) == ["pitch", "yaw"]


def test_margins_are_those_of_the_true_optics(arrived: Arrived) -> None:
    truth = arrived.simulated.truth_report()
    margins = {m.axis: m for m in margins_at(arrived.tuning, arrived.at, frozenset({"spacing"}))}
    assert set(margins) == set(arrived.tuning.bench.description.axes)
    spacing = margins["spacing"]
    assert spacing.low == pytest.approx(truth["margin_low_m"], abs=1e-4)
    assert spacing.high == pytest.approx(truth["margin_high_m"], abs=1e-4)
    assert spacing.nights == pytest.approx(min(spacing.low, spacing.high) / 6e-6)
    assert spacing.located
    assert not margins["pitch"].located


def test_off_the_middle_it_settles_back_between_the_edges(arrived: Arrived) -> None:
    low, high = (edge.found.value for edge in arrived.edges)
    off = arrived.at.at_spacing(0.75 * low + 0.25 * high)
    best = widest_place(arrived.tuning, off)
    # a twentieth more margin is what it takes to move, and no better is asked for
    assert best.spacing_m == pytest.approx(0.5 * (low + high), abs=0.06 * (high - low))
    before, after = (
        least_margin(margins_at(arrived.tuning, at, frozenset())) for at in (off, best)
    )
    assert before is not None
    assert after is not None
    assert after.nights > 1.5 * before.nights


def test_it_moves_the_input_beam_too_and_only_for_more_margin(arrived: Arrived) -> None:
    low, high = (edge.found.value for edge in arrived.edges)
    middle = arrived.at.at_spacing(0.5 * (low + high))
    best = widest_place(arrived.tuning, middle)
    before, after = (
        least_margin(margins_at(arrived.tuning, at, frozenset())) for at in (middle, best)
    )
    assert before is not None
    assert after is not None
    # with 26 passes an ellipse has more plateau than the circle (docs/decisions/pattern-margin.md)
    assert best.slope_y < middle.slope_y - 5e-3
    assert after.nights > 1.05 * before.nights
    assert widest_place(arrived.tuning, best).spacing_m == pytest.approx(best.spacing_m, abs=2e-4)


def test_an_edge_within_reach_of_the_input_beam_is_read_at(start: Start) -> None:
    """Two edges of each steering axis; those that the axis does not reach are not looked for."""
    tuning, _ = start(unknown=("log_gain",))
    tuning.read_at(tuning.beam, "prove", "a reading to begin with")
    before = len(tuning.belief.readings)
    located = locate_beam_edges(tuning, tuning.beam)
    looked = tuning.belief.readings[before:]
    reach = {axis: tuning.scan(axis, tuning.beam) for axis in ("pitch", "yaw")}
    within = {
        axis
        for axis, scan in reach.items()
        if scan.low < tuning.plateau_on(scan).low.value
        and tuning.plateau_on(scan).high.value < scan.high
    }
    assert located <= within
    assert bool(looked) == any(
        scan.low < edge < scan.high
        for scan in reach.values()
        for edge in (tuning.plateau_on(scan).low.value, tuning.plateau_on(scan).high.value)
    )


def test_the_least_margin_is_counted_in_nights_of_its_own_axis() -> None:
    stage = AxisMargin("spacing", "mm", 6e-4, 9e-4, 1e-6, 1e-6, 6e-6)
    pitch = AxisMargin("pitch", "mrad", 1e-3, None, 1e-5, None, 2e-5)
    endless = AxisMargin("yaw", "mrad", None, None, None, None, 2e-5)
    assert stage.nights == pytest.approx(100.0)
    assert pitch.nights == pytest.approx(50.0)
    assert endless.nights == math.inf
    assert least_margin((stage, pitch, endless)) is pitch
    assert least_margin(()) is None
    assert replace(stage, low=0.0).nights == 0.0


def test_where_nothing_drifts_there_is_no_margin_and_no_better_place(arrived: Arrived) -> None:
    description = arrived.tuning.bench.description
    still = replace(
        description,
        axes={name: replace(axis, overnight_drift=0.0) for name, axis in description.axes.items()},
    )
    arrived.tuning.bench.description = still
    try:
        assert margins_at(arrived.tuning, arrived.at, frozenset()) == ()
        assert widest_place(arrived.tuning, arrived.at) is arrived.at
    finally:
        arrived.tuning.bench.description = description

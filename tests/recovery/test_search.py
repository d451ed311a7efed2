"""A knock puts the beam beside the hole: it is looked for as far as the axes reach, and no further.

What is found, and that everything stands where it stood when nothing was, is told by the simulator.
"""

from __future__ import annotations

import dataclasses
import itertools
import math

import pytest
from autocell_simulators.bench import SimulatedBench
from autocell_simulators.faults.scenario import Scenario
from autocell_simulators.inprocess import connector

from autocell.bench.clock import VirtualClock
from autocell.bench.opening import open_bench
from autocell.description import BenchDescription
from autocell.outcome import Verdict
from autocell.procedures.recovery.search import BeamSearch, around, shifting_axes, step_m
from autocell.recovery import CauseName
from tests.recovery.conftest import PASSES, Morning, Night

BESIDE = {"fault": "knock", "urad": 10000.0, "pivot_mm": 300.0}
"""Turns the launch so that the beam is 3 mm off in a hole of 2 mm radius, and dark."""

BEYOND = {"fault": "knock", "urad": 30000.0, "pivot_mm": 300.0}
"""9 mm off, on a bench whose axes shift it by 2."""


@pytest.mark.parametrize("seed", range(8))
def test_a_beam_beside_the_hole_is_found_and_led_into_it(
    seed: int, watched: BenchDescription
) -> None:
    clock = VirtualClock()
    bench = SimulatedBench(watched, seed, clock, scenario=Scenario())
    whole = bench.truth_report()["power_fraction"]
    bench.begin(BESIDE)
    assert bench.truth_report()["power_fraction"] < 1e-6
    with open_bench(watched, clock=clock, connect=connector(bench)) as opened:
        opened.vouch_for(watched.axes)
        found = BeamSearch(opened, opened.setting).look()
    assert found.light is not None
    assert found.places <= 25
    truth = bench.truth_report()
    assert truth["passes"] == 6
    assert truth["power_fraction"] > 0.8 * whole
    assert truth["limit_violations"] == 0
    # what it says it moved is what the axes read
    moved = {shift.axis: shift.shift for shift in found.shifts}
    assert moved.keys() <= {"horizontal", "vertical"}
    assert max(map(abs, moved.values())) <= 2e-3


def test_a_beam_is_looked_for_as_far_as_the_axes_reach(watched: BenchDescription) -> None:
    far = dataclasses.replace(watched.axes["horizontal"], low=-2e-3, high=12e-3)
    flat = dataclasses.replace(watched.axes["vertical"], low=-3e-4, high=3e-4)
    wide = dataclasses.replace(watched, axes={**watched.axes, "horizontal": far, "vertical": flat})
    clock = VirtualClock()
    bench = SimulatedBench(wide, 0, clock, scenario=Scenario())
    with open_bench(wide, clock=clock, connect=connector(bench)) as opened:
        opened.vouch_for(wide.axes)
        beside = dataclasses.replace(opened.setting, x_m=opened.setting.x_m + 6.0 * step_m(wide))
        found = BeamSearch(opened, beside).look()
    assert found.light is not None, found.words
    assert found.furthest_m > 4.5 * step_m(wide)
    assert found.around_m < found.furthest_m
    assert bench.truth_report()["passes"] == 6
    assert bench.truth_report()["limit_violations"] == 0


@pytest.mark.thorough
def test_a_pattern_whose_beam_missed_the_hole_is_proved_again(night: Night) -> None:
    morning = night(BESIDE)
    assert morning.outcome.verdict is Verdict.RECOVERED, morning.outcome.reason
    assert morning.truth["passes"] == morning.outcome.passes == PASSES
    steps = [step.name for step in morning.recovery.steps]
    assert steps == ["look again", "search", "rebuild from six passes"]
    assert morning.cause.name is CauseName.KNOCK
    assert any("looked for" in text for text in morning.cause.evidence)
    assert morning.truth["limit_violations"] == 0


def assert_undone(morning: Morning) -> None:
    assert morning.outcome.verdict is Verdict.HELD
    assert morning.outcome.proof is None
    assert morning.outcome.moves > 10
    assert all(abs(axis.net) < 5e-6 for axis in morning.recovery.travel)
    search = next(step for step in morning.recovery.steps if step.name == "search")
    assert search.undone
    assert not search.accepted
    assert morning.truth["limit_violations"] == 0


def test_a_laser_that_is_off_is_not_told_from_a_beam_that_is_gone_without_a_reference_meter(
    night: Night, unwatched: BenchDescription
) -> None:
    def spoil(bench: SimulatedBench) -> None:
        bench.laser_on = False

    morning = night(spoil=spoil, bench=unwatched, hours=1.0)
    assert_undone(morning)
    assert "a laser that is off looks the same" in morning.outcome.reason
    assert morning.cause.name is CauseName.UNDETERMINED
    assert set(morning.cause.possible) == {CauseName.LASER, CauseName.KNOCK, CauseName.WINDOW}


def test_a_beam_beyond_the_axes_is_not_found_and_the_laser_is_cleared_by_its_meter(
    night: Night,
) -> None:
    morning = night(BEYOND, hours=1.0)
    assert_undone(morning)
    assert "mm from where it should be, as far as the axes reach" in morning.outcome.reason
    assert "the reference meter sees the laser" in morning.outcome.reason
    assert morning.cause.name is CauseName.UNDETERMINED
    assert set(morning.cause.possible) == {CauseName.KNOCK, CauseName.WINDOW}


def test_a_search_keeps_to_the_caps_of_a_step(night: Night, watched: BenchDescription) -> None:
    limits = watched.recovery
    short = dataclasses.replace(limits, step=dataclasses.replace(limits.step, readings=11))
    morning = night(BEYOND, hours=1.0, bench=dataclasses.replace(watched, recovery=short))
    assert_undone(morning)
    search = next(step for step in morning.recovery.steps if step.name == "search")
    assert search.readings == 11
    # nine of them make the first ring whole
    around = f"all that the axes reach {1e3 * step_m(watched):.1f} mm around among them"
    for told in (search.words, morning.outcome.reason, "; ".join(morning.cause.evidence)):
        assert "no light at 11 places" in told
        assert around in told
        assert "the search was ended there: caps.readings" in told


def test_light_that_comes_back_by_itself_is_not_looked_for(night: Night) -> None:
    def spoil(bench: SimulatedBench) -> None:
        bench.begin({**BESIDE, "for_s": 40.0})

    morning = night(spoil=spoil, hours=1.0)
    assert morning.outcome.verdict is Verdict.UNCHANGED
    assert morning.outcome.moves == 0
    assert "came back by itself" in morning.outcome.reason


def test_rings_leave_no_place_out_and_come_by_none_twice() -> None:
    places = [place for ring in range(4) for place in around(ring, 2)]
    assert len(places) == len(set(places)) == 49
    assert places[0] == (0, 0)
    for ring in (1, 2, 3):
        way = around(ring, 2)
        gaps = [math.dist(here, there) for here, there in itertools.pairwise(way)]
        assert max(gaps) == 1.0, "from each place to its neighbour"
    assert [place for ring in range(3) for place in around(ring, 1)] == [
        (0,), (-1,), (1,), (-2,), (2,),
    ]  # fmt: skip
    assert around(0, 0) == []


def test_steps_are_of_the_size_of_hole_and_beam(watched: BenchDescription) -> None:
    # a waist of 0.33 mm has a radius of 0.374 mm 115 mm further at 1654 nm, w0 sqrt(1 + (z/zR)^2),
    # ISO 11146-1
    assert step_m(watched) == pytest.approx((2e-3 + 0.376e-3) / math.sqrt(2.0), rel=5e-3)


def test_axes_that_turn_the_beam_are_taken_where_no_other_shifts_it(
    watched: BenchDescription,
) -> None:
    assert [axis.name for axis in shifting_axes(watched)] == ["horizontal", "vertical"]
    axes = dict(watched.axes)
    del axes["horizontal"]
    yaw = dataclasses.replace(axes["yaw"], effect=(0.0, 0.3, 0.0, 1.0, 0.0))
    turned = dataclasses.replace(watched, axes=axes | {"yaw": yaw})
    assert [axis.name for axis in shifting_axes(turned)] == ["vertical", "yaw"]
    none = {name: axes[name] for name in ("spacing", "pitch", "yaw")}
    assert shifting_axes(dataclasses.replace(watched, axes=none)) == ()

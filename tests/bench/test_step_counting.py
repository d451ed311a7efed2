"""Where an axis is believed to be that counts unequal steps: alone, in the guard, on a bench."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from autocell.bench.bench import Bench
from autocell.bench.clock import VirtualClock
from autocell.bench.file import load, shipped
from autocell.bench.plan import time_limit
from autocell.bench.step_counting import (
    ReferencedStepCounter,
    StepCounter,
    StepState,
    counting_steps,
)
from autocell.bench.trust import Trust
from autocell.description import OpenLoopDescription
from autocell.errors import LimitError, MotionError
from tests.bench.conftest import Rig, SteadyAxis
from tests.motion.stepping import STEP, STEPS, drives, opened, stepping

PITCH = load(shipped("peat-bog")).axes["pitch"]
KNOWN = replace(STEPS, backward=0.8, backward_u=0.01, dead_steps=10.0, dead_steps_u=1.0)
places = st.floats(-0.015, 0.015).filter(lambda x: abs(x) > 1e-5)


def counter(
    steps: OpenLoopDescription = KNOWN, start: float = 0.0
) -> tuple[StepCounter, SteadyAxis]:
    clock = VirtualClock()
    axis = SteadyAxis(PITCH, clock, start)
    return StepCounter(axis, steps), axis


def test_a_stop_is_sent_on_where_the_driver_can_send_one() -> None:
    sent: list[str] = []
    _, axis = counter()
    drive = StepCounter(axis, KNOWN)
    drive.send_stop()  # this one cannot
    axis.send_stop = lambda: sent.append(axis.name)  # type: ignore[attr-defined]
    drive.send_stop()
    assert sent == ["pitch"]
    assert axis.stops == 0


@given(places, places)
def test_what_it_will_count_and_where_it_will_be_agree(first: float, second: float) -> None:
    state = StepState.at(0.002)
    for target in (first, second):
        state = state.after(state.count_for(target, KNOWN), KNOWN)
        assert state.position == pytest.approx(target, abs=STEP)


def test_steps_backward_do_less_and_the_first_of_them_nothing() -> None:
    up = StepState.at(0.0).after(1e-3, KNOWN)
    assert up.position == 1e-3
    down = up.after(0.0, KNOWN)
    assert down.position == pytest.approx(1e-3 - 0.8 * (1e-3 - 10 * STEP))
    # a move that ends among the dead steps leaves the rest of them for the next
    begun = up.after(1e-3 - 4 * STEP, KNOWN)
    assert begun.position == up.position
    assert begun.after(0.0, KNOWN).position == pytest.approx(down.position)


def test_doubt_grows_with_travel_and_a_return_does_not_take_it_away() -> None:
    state = StepState.at(0.0)
    assert state.u(STEPS) == 0.0
    doubts = []
    for count in (5e-3, 0.0, 5e-3, 0.0):
        state = state.after(count, STEPS)
        doubts.append(state.u(STEPS))
    assert doubts == sorted(doubts)
    # forward it is on its own scale but for the scatter of its steps, 5 % of √10000 of them, and
    # for the dead ones, none to ten of them
    assert doubts[0] == pytest.approx(math.hypot(0.05 * 100, 10 / math.sqrt(12)) * STEP)
    # backward, twice five mrad less the dead steps, each as wrong as the ratio
    assert doubts[3] == pytest.approx(STEPS.backward_u * 2 * (5e-3 - 5 * STEP), rel=1e-3)


def test_less_than_half_a_step_is_no_motion() -> None:
    state = StepState.at(0.0).after(1e-3, KNOWN)
    assert state.after(1e-3 - 0.4 * STEP, KNOWN) is state


def test_what_is_learned_of_the_steps_is_believed_of_those_since_it_was_settled() -> None:
    drive, axis = counter(replace(KNOWN, dead_steps=0.0, backward=1.0))
    for count in (4e-3, 1e-3):
        axis.jump(count)
        drive.position()
        drive.rested()
    assert drive.state.position == pytest.approx(1e-3)
    assert drive.relearn(0.8, 0.01).position == pytest.approx(4e-3 - 0.8 * 3e-3)
    doubt = drive.state.u(drive.steps)
    settled = drive.settled()
    assert settled.u(drive.steps) == doubt
    assert drive.relearn(0.7, 0.01).position == pytest.approx(settled.position)


def test_the_light_moves_its_place_and_makes_it_no_surer() -> None:
    drive, axis = counter()
    axis.jump(-2e-3)
    drive.position()
    doubt = drive.rested().u(drive.steps)
    moved = -3e-4 - drive.state.position
    assert drive.take_for(-3e-4).position == -3e-4
    assert drive.state.u(drive.steps) == math.hypot(doubt, moved)
    assert drive.position() == -3e-4


def test_only_axes_that_the_file_calls_open_loop_are_counted() -> None:
    axis = SteadyAxis(PITCH, VirtualClock(), 0.0)
    assert counting_steps(axis, None) is axis
    assert isinstance(counting_steps(axis, STEPS), ReferencedStepCounter)


def test_a_move_sends_as_many_steps_as_its_way_takes(rig_of: Callable[..., Rig]) -> None:
    rig = rig_of(stepping(steps=KNOWN))
    rig.motion.move({"pitch": 2e-3}, "forward")
    rig.motion.move({"pitch": 0.0}, "back")
    assert rig.axes["pitch"].commands == pytest.approx([2e-3, 2e-3 - 10 * STEP - 2e-3 / 0.8])
    assert rig.guard.position("pitch") == pytest.approx(0.0, abs=1e-9)


def test_its_limits_leave_room_for_steps_that_do_too_much(rig_of: Callable[..., Rig]) -> None:
    rig = rig_of(stepping(steps=KNOWN))
    with pytest.raises(LimitError, match="its unequal steps may miss by"):
        rig.motion.move({"pitch": 13e-3}, "too far with steps a fifth larger")
    assert rig.sent() == []
    low, high = rig.description.reach("pitch")
    assert high + 0.2 * (high - low) + 1.2 * 10 * STEP <= 15e-3
    rig.motion.move({"pitch": low}, "to one end")
    rig.motion.move({"pitch": high}, "and to the other")


def test_its_own_count_makes_nobody_surer_of_it(rig_of: Callable[..., Rig]) -> None:
    rig = rig_of(stepping(steps=STEPS))
    trust = rig.guard.trust
    rig.motion.move({"pitch": 1e-3}, "forward")
    assert trust.trust("pitch") is Trust.KNOWN
    for target in (-5e-3, 5e-3, 1e-3):
        rig.motion.move({"pitch": target}, "far")
        assert trust.trust("pitch") is Trust.ESTIMATED
    assert "standard uncertainty" in trust.why("pitch")
    assert trust.trust("yaw") is Trust.KNOWN
    trust.restore("pitch", "homed")
    assert trust.trust("pitch") is Trust.KNOWN


def test_small_steps_get_the_time_that_more_of_them_take() -> None:
    quick, slow = (replace(PITCH, open_loop=s) for s in (None, replace(KNOWN, backward=0.5)))
    assert time_limit(slow, 0.02) > 1.9 * (time_limit(quick, 0.02) - 1.0)


def test_a_counter_that_was_switched_off_is_noticed(rig_of: Callable[..., Rig]) -> None:
    rig = rig_of(stepping(steps=KNOWN))
    rig.motion.move({"pitch": 2e-3}, "forward")
    rig.axes["pitch"].jump(0.0)
    with pytest.raises(MotionError, match="although nothing was sent"):
        rig.guard.position("pitch")


def test_the_belief_is_told_how_surely_each_axis_stands_there() -> None:
    with opened(drives(), share=None) as standing:
        bench: Bench = standing.bench
        assert dict(bench.read_power("before").position_u) == {"pitch": 0.0, "yaw": 0.0}
        bench.move_axes({"pitch": 3e-3}, "there")
        bench.move_axes({"pitch": 0.0}, "and back")
        doubt = dict(bench.read_power("after").position_u)
    assert doubt["pitch"] == pytest.approx(STEPS.backward_u * 3e-3, rel=0.01)
    assert doubt["yaw"] == 0.0
    # truly a fifth of the way back is missing: within what was said
    assert abs(standing.off() - 0.2 * 3e-3) < 5e-5
    assert standing.off() < 2.0 * doubt["pitch"]


def test_counts_that_its_controller_does_not_allow_are_not_asked_of_it() -> None:
    with opened(drives(), share=None) as standing:
        bench = standing.bench
        bench.open_loop.relearn("pitch", 0.5, 0.01)
        bench.move_axes({"pitch": 7e-3}, "forward")
        counts = r"counts 7\.00.. mrad, so that at -5\.0000 mrad it would count -17"
        with pytest.raises(LimitError, match=counts):
            bench.move_axes({"pitch": -5e-3}, "and back by twice as many")
        assert standing.truth()["limit_violations"] == 0


def test_steps_taken_for_dead_ones_are_part_of_what_its_limits_leave_room_for(
    rig_of: Callable[..., Rig],
) -> None:
    dead = OpenLoopDescription.within(STEP, 0.05, 0.05, 4000.0)
    rig = rig_of(stepping(steps=dead))
    # a thousand micrometres of arc beside five percent of 14
    with pytest.raises(LimitError, match="its unequal steps may miss by"):
        rig.motion.move({"pitch": -14e-3}, "to the end, backward")
    rig.motion.move({"pitch": -13e-3}, "as far as it may")
    sent = rig.axes["pitch"].commands[-1]
    assert 1.05 * abs(sent) <= 15e-3


def test_a_fresh_bench_is_told_what_its_controller_would_have_to_count(
    rig_of: Callable[..., Rig],
) -> None:
    rig = rig_of(stepping(steps=replace(KNOWN, backward=0.7)))
    axis = rig.guard.open_loop._counters["pitch"]
    axis.travel = (-15e-3, 15e-3)
    with pytest.raises(LimitError, match=r"counts 0\.0000 mrad.* allows -15\.0000 mrad to 15"):
        rig.motion.move({"pitch": -11e-3}, "by more steps than it counts")


def test_between_the_last_look_for_a_stop_and_a_move_nothing_is_asked() -> None:
    clock = VirtualClock()

    class Asked(SteadyAxis):
        questions = 0

        def position(self) -> float:
            self.questions += 1
            return super().position()

    axis = Asked(PITCH, clock, 0.0)
    drive = StepCounter(axis, KNOWN)
    drive.position()
    before = axis.questions
    drive.start_move(1e-3)
    assert axis.questions == before
    assert axis.commands == [1e-3]


def test_what_somebody_accepts_is_believed_without_a_doubt() -> None:
    drive, axis = counter()
    axis.jump(-2e-3)
    drive.position()
    assert drive.rested().u(drive.steps) > 0.0
    place = drive.position()
    drive.take_as_read()
    assert (drive.position(), drive.state.u(drive.steps)) == (place, 0.0)


def test_a_place_that_the_limits_do_not_let_it_return_to_is_not_left() -> None:
    with opened(drives()) as standing:
        bench = standing.bench
        bench.move_axes({"pitch": 13e-3}, "far out")
        bench.make_home({})
        moves = bench.usage.moves
        with pytest.raises(LimitError, match="it could not be sent back to there"):
            bench.move_axes({"pitch": 0.0}, "away")
        assert bench.usage.moves == moves
        bench.move_axes({"pitch": 5e-3}, "less far away")
        bench.return_home()
        assert bench.positions()["pitch"] == pytest.approx(13e-3, abs=1e-5)
        # home is elsewhere by then, so that the whole way is free
        bench.move_axes({"pitch": 5e-3}, "inwards")
        bench.make_home({})
        bench.move_axes({"pitch": 0.0}, "away")

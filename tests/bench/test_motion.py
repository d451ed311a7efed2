"""A move is done when the axis is there; whatever goes wrong, it is stopped and told."""

from __future__ import annotations

import pytest

from autocell.bench.trust import Trust
from autocell.errors import LimitError, MotionError, NoReply, Stopped
from tests.bench.conftest import Rig


def test_axes_arrive_together_and_each_from_below(rig: Rig) -> None:
    rig.motion.move({"spacing": 0.020, "yaw": -0.002}, "test")
    for name, target in (("spacing", 0.020), ("yaw", -0.002)):
        axis = rig.description.axes[name]
        assert rig.axes[name].commands == [pytest.approx(target - axis.overshoot), target]
        assert rig.guard.position(name) == pytest.approx(target, abs=axis.repeatability)
    assert rig.clock.now() < 1.5  # spacing alone takes about 1 s, both one after the other more


def test_the_journal_has_each_leg_with_its_start_and_its_end(rig: Rig) -> None:
    rig.motion.move({"spacing": 0.020}, "look")
    starts = [(axis, purpose) for axis, _, _, purpose in rig.journal.moves]
    assert starts == [("spacing", "look")] * 2
    assert [target for _, _, target, _ in rig.journal.moves] == rig.axes["spacing"].commands
    assert [outcome for _, outcome in rig.journal.endings.values()] == ["arrived"] * 2
    assert rig.journal.endings[1][0] == pytest.approx(0.020, abs=1e-6)


def test_the_second_step_up_needs_no_approach_leg(rig: Rig) -> None:
    rig.motion.move({"spacing": 0.020}, "test")
    rig.motion.move({"spacing": 0.020005}, "test")
    assert rig.axes["spacing"].commands[2:] == [0.020005]


def test_a_controller_that_reports_idle_right_after_a_move_is_waited_for(rig: Rig) -> None:
    rig.axes["spacing"].idle_after_start_s = 0.2
    rig.motion.move({"spacing": 0.030}, "test")
    assert rig.guard.position("spacing") == pytest.approx(0.030, abs=1e-6)


def test_an_axis_that_stops_short_is_told_with_both_positions(rig: Rig) -> None:
    rig.axes["spacing"].sticks_at = 0.027
    with pytest.raises(MotionError, match=r"spacing stopped at 27\.0000 mm, sent to 30\.0000 mm"):
        rig.motion.move({"spacing": 0.030, "pitch": 0.014}, "test")
    assert rig.axes["spacing"].stops == 1
    assert rig.axes["pitch"].stops == 1
    assert rig.guard.trust.trust("spacing") is Trust.ESTIMATED
    assert {outcome[:6] for _, outcome in rig.journal.endings.values()} == {"failed"}


def test_an_axis_that_sticks_while_reported_moving_is_noticed_within_seconds(rig: Rig) -> None:
    rig.axes["spacing"].sticks_at = 0.0255
    rig.axes["spacing"].hangs = True
    with pytest.raises(MotionError, match="sticks"):
        rig.motion.move({"spacing": 0.045}, "test")
    assert rig.clock.now() < 3.0


def test_a_controller_that_never_ends_a_move_is_given_up_on(rig: Rig) -> None:
    rig.axes["spacing"].hangs = True
    with pytest.raises(MotionError):
        rig.motion.move({"spacing": 0.0251}, "test")
    assert rig.clock.now() < 5.0


def test_a_runaway_is_stopped_and_the_position_is_lost(rig: Rig) -> None:
    axis = rig.axes["spacing"]
    rig.clock.on_advance.append(lambda now: axis.jump(0.060) if 0.4 < now < 0.7 else None)
    with pytest.raises(MotionError, match="ran away"):
        rig.motion.move({"spacing": 0.030}, "test")
    assert axis.stops >= 1
    assert rig.guard.trust.trust("spacing") is Trust.LOST


def test_one_wild_position_on_the_way_is_asked_for_again(rig: Rig) -> None:
    axis, asked = rig.axes["spacing"], 0
    true_position = axis.position

    def position() -> float:
        nonlocal asked
        asked += 1
        return 49e-3 if asked % 5 == 4 else true_position()

    axis.position = position  # type: ignore[method-assign]
    rig.motion.move({"spacing": 0.020}, "test")
    assert asked > 5
    assert axis.stops == 0
    assert true_position() == pytest.approx(0.020)


def test_a_controller_switched_off_on_the_way_has_lost_its_position(rig: Rig) -> None:
    axis = rig.axes["spacing"]

    def power_cycle(now: float) -> None:
        if now > 0.1:
            axis.has_reference = False
            axis.jump(axis.commands[-1])

    rig.clock.on_advance.append(power_cycle)
    with pytest.raises(MotionError, match="no reference"):
        rig.motion.move({"spacing": 0.024}, "test")
    assert rig.guard.trust.trust("spacing") is Trust.LOST


def test_a_stop_asked_for_elsewhere_ends_a_move_within_a_quarter_of_a_second(rig: Rig) -> None:
    asked: list[float] = []

    def ask(now: float) -> None:
        if now > 2.0 and not asked:
            asked.append(now)
            rig.guard.halting.request_stop()

    rig.clock.on_advance.append(ask)
    with pytest.raises(Stopped):
        rig.motion.move({"spacing": 0.049}, "test")
    assert rig.axes["spacing"].stops == 1
    assert rig.clock.now() - asked[0] <= 0.25
    assert len(rig.axes["spacing"].commands) == 1
    assert rig.journal.endings[0][1] == "stopped"


def test_a_stop_between_two_legs_leaves_the_second_out(rig: Rig) -> None:
    def ask(now: float) -> None:
        if now > 0.9:
            rig.guard.halting.request_stop()

    rig.clock.on_advance.append(ask)
    with pytest.raises(Stopped):
        rig.motion.move({"spacing": 0.020}, "test")
    assert len(rig.axes["spacing"].commands) == 1


def test_a_plan_moves_nothing_and_tells_the_time(rig: Rig) -> None:
    (move,) = rig.motion.plan({"spacing": 0.020, "pitch": 0.0})
    assert move.axis.name == "spacing"
    assert move.expected_s > 1.0
    assert rig.sent() == []


def test_how_long_a_move_takes_is_told_without_asking_the_axes(rig: Rig) -> None:
    targets = {"spacing": 0.030, "pitch": 2e-3}
    planned = max(move.expected_s for move in rig.motion.plan(targets))

    def silent() -> float:
        raise NoReply("nobody is asked")

    for axis in rig.axes.values():
        axis.position = silent  # type: ignore[method-assign]
    assert rig.motion.expected_s(targets) == planned
    assert rig.motion.expected_s({}) == 0.0
    with pytest.raises(LimitError):
        rig.motion.expected_s({"spacing": 0.060})

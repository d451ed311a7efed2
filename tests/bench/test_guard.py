"""What the guard refuses, what it lets through, and that nothing follows a stop."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import ClassVar

import pytest

from autocell.bench.guard import Guard
from autocell.bench.halting import stop_together, turns_of
from autocell.bench.trust import Trust
from autocell.description import BenchDescription, Caps
from autocell.errors import (
    BudgetError,
    DeviceError,
    Disconnected,
    LimitError,
    MotionError,
    NoReply,
    Refused,
    Stopped,
    StoreError,
)
from tests.bench.conftest import Rig, SteadyAxis


def test_a_target_beyond_a_limit_is_refused_before_anything_is_sent(rig: Rig) -> None:
    with pytest.raises(LimitError) as refusal:
        rig.motion.move({"pitch": 0.001, "spacing": 0.051}, "test")
    assert rig.sent() == []
    assert rig.journal.moves == []
    for words in ("spacing", "from 25.0000 mm", "to 51.0000 mm", "0.0000 mm to 50.0000 mm"):
        assert words in str(refusal.value)


def test_limits_are_told_in_the_unit_of_the_axis(rig: Rig) -> None:
    with pytest.raises(LimitError, match=r"pitch: from 0\.0000 mrad to 20\.0000 mrad"):
        rig.motion.move({"pitch": 0.020}, "test")


def test_the_approach_leg_must_stay_within_the_limits_too(rig: Rig) -> None:
    axis = rig.description.axes["spacing"]
    target = axis.low + axis.overshoot / 2
    with pytest.raises(LimitError, match="approach from above"):
        rig.motion.move({"spacing": target}, "test")
    assert rig.sent() == []
    rig.motion.move({"spacing": axis.reach[0]}, "test")
    assert min(rig.axes["spacing"].commands) >= axis.low


def test_what_the_description_calls_reachable_the_guard_admits(rig: Rig) -> None:
    bench = rig.description
    for name, axis in bench.axes.items():
        low, high = bench.reach(name)
        assert axis.low < low < high < axis.high
        for target in (low, high):
            rig.motion.move({name: target}, "test")


def test_the_minimum_gap_counts_the_tolerance_of_the_spacing(
    rig_of: Callable[[BenchDescription], Rig], rig: Rig
) -> None:
    near = replace(rig.description, minimum_gap_m=rig.description.spacing_at_zero_m + 0.010)
    rig = rig_of(near)
    lowest = near.lowest_spacing_m - near.spacing_at_zero_m
    assert lowest > 0.011
    with pytest.raises(LimitError, match="minimum gap"):
        rig.motion.move({"spacing": lowest - 1e-6}, "test")
    assert rig.sent() == []
    rig.motion.move({"spacing": lowest}, "test")


def test_a_stop_reaches_every_axis_even_when_some_raise(rig: Rig) -> None:
    rig.axes["spacing"].stop_error = NoReply("silent")
    rig.axes["yaw"].stop_error = NoReply("silent")
    failures = rig.guard.halting.stop_all()
    assert [axis.stops for axis in rig.axes.values()] == [1] * len(rig.axes)
    assert set(failures) == {"spacing", "yaw"}
    assert rig.guard.trust.trust("yaw") is Trust.ESTIMATED
    assert rig.guard.trust.trust("pitch") is Trust.KNOWN


def test_a_stop_reaches_axes_of_several_devices(
    rig_of: Callable[[BenchDescription], Rig], rig: Rig
) -> None:
    axes = {
        name: replace(axis, device="other" if name == "pitch" else axis.device)
        for name, axis in rig.description.axes.items()
    }
    rig = rig_of(replace(rig.description, axes=axes))
    rig.axes["spacing"].stop_error = NoReply("silent")
    assert set(rig.guard.halting.stop_all()) == {"spacing"}
    assert [axis.stops for axis in rig.axes.values()] == [1] * len(axes)


class Hurried(SteadyAxis):
    """An axis whose driver can send a stop and wait for nothing."""

    sent: ClassVar[list[tuple[str, str]]] = []
    send_error: DeviceError | None = None

    def send_stop(self) -> None:
        self.sent.append(("sent", self.name))
        if self.send_error is not None:
            raise self.send_error

    def stop(self) -> None:
        self.sent.append(("confirmed", self.name))
        super().stop()


@pytest.fixture
def hurried(rig: Rig) -> dict[str, SteadyAxis]:
    """Axes of one controller; all but yaw can be told without being waited for."""
    Hurried.sent.clear()
    kinds = {name: SteadyAxis if name == "yaw" else Hurried for name in rig.axes}
    return {n: kind(rig.description.axes[n], rig.clock, 0.0) for n, kind in kinds.items()}


def test_axes_of_one_controller_are_all_told_before_the_first_has_to_confirm(
    rig: Rig, hurried: dict[str, SteadyAxis]
) -> None:
    names = [name for name in hurried if name != "yaw"]
    assert stop_together(rig.description, hurried, turns_of(rig.description)) == {}
    told = [*(("sent", name) for name in names), *(("confirmed", name) for name in names)]
    assert Hurried.sent == told
    assert [axis.stops for axis in hurried.values()] == [1] * len(hurried)


def test_what_is_wrong_with_a_stop_its_confirmation_tells(
    rig: Rig, hurried: dict[str, SteadyAxis]
) -> None:
    hurried["pitch"].send_error = Disconnected("cut")
    hurried["spacing"].stop_error = NoReply("silent")
    assert set(stop_together(rig.description, hurried, turns_of(rig.description))) == {"spacing"}
    assert [axis.stops for axis in hurried.values()] == [1] * len(hurried)


def test_one_axis_alone_is_told_once(rig: Rig, hurried: dict[str, SteadyAxis]) -> None:
    pitch = {"pitch": hurried["pitch"]}
    assert stop_together(rig.description, pitch, turns_of(rig.description)) == {}
    assert Hurried.sent == [("confirmed", "pitch")]


def test_nothing_moves_after_a_stop_until_it_is_cleared(rig: Rig) -> None:
    rig.guard.halting.stop_all()
    with pytest.raises(Stopped):
        rig.motion.move({"pitch": 0.001}, "test")
    with pytest.raises(Stopped):
        rig.guard.admit_reading()
    assert rig.sent() == []
    rig.guard.halting.clear_stop()
    rig.motion.move({"pitch": 0.001}, "test")
    assert rig.axes["pitch"].commands == [0.001]


def test_a_stop_works_although_the_disk_is_full(rig: Rig) -> None:
    rig.journal.full = True
    assert rig.guard.halting.stop_all() == {}
    assert [axis.stops for axis in rig.axes.values()] == [1] * len(rig.axes)


def test_a_move_that_cannot_be_written_down_is_not_made(rig: Rig) -> None:
    rig.journal.full = True
    with pytest.raises(StoreError):
        rig.motion.move({"pitch": 0.001}, "test")
    assert rig.sent() == []


@pytest.mark.parametrize(
    ("caps", "cap"),
    [
        (Caps(moves=2, readings=9, travel_m=9.0, time_s=999.0), "caps.moves"),
        (Caps(moves=9, readings=9, travel_m=0.012, time_s=999.0), "caps.travel_mm"),
        (Caps(moves=9, readings=9, travel_m=9.0, time_s=5.0), "caps.time_min"),
    ],
)
def test_a_move_that_would_exceed_a_cap_is_refused_and_the_reserve_brings_it_home(
    rig_of: Callable[[BenchDescription], Rig], rig: Rig, caps: Caps, cap: str
) -> None:
    rig = rig_of(replace(rig.description, caps=caps))
    rig.motion.move({"spacing": 0.035}, "out")
    sent = len(rig.sent())
    with pytest.raises(BudgetError, match=cap):
        rig.motion.move({"spacing": 0.015}, "further")
    assert len(rig.sent()) == sent
    with rig.guard.budget.reserve():
        rig.motion.move({"spacing": 0.025}, "back")
    assert rig.guard.position("spacing") == pytest.approx(0.025, abs=1e-6)
    with pytest.raises(BudgetError):
        rig.motion.move({"spacing": 0.010}, "further")


def test_readings_are_capped(rig_of: Callable[[BenchDescription], Rig], rig: Rig) -> None:
    rig = rig_of(replace(rig.description, caps=replace(rig.description.caps, readings=1)))
    rig.guard.admit_reading()
    rig.guard.budget.readings += 1
    with pytest.raises(BudgetError, match=r"caps\.readings"):
        rig.guard.admit_reading()


def test_usage_counts_what_was_sent(rig: Rig) -> None:
    rig.motion.move({"spacing": 0.020, "pitch": 0.001}, "test")
    axis = rig.description.axes["spacing"]
    usage = rig.guard.usage
    assert usage.moves == len(rig.sent()) == len(rig.journal.moves) == 3
    assert usage.travel_m == pytest.approx(0.005 + 2 * axis.overshoot, abs=3e-6)
    assert usage.elapsed_s == pytest.approx(rig.clock.now())


def test_a_position_that_only_one_answer_tells_loses_nothing(rig: Rig) -> None:
    axis, answers = rig.axes["spacing"], iter([42.0e-3])
    true_position = axis.position
    axis.position = lambda: next(answers, None) or true_position()  # type: ignore[method-assign]
    assert rig.guard.position("spacing") == true_position()
    assert rig.guard.trust.trust("spacing") is Trust.KNOWN


def test_an_axis_that_moved_by_itself_has_lost_its_position(rig: Rig) -> None:
    rig.axes["spacing"].jump(0.0)
    with pytest.raises(MotionError, match="although nothing was sent"):
        rig.guard.position("spacing")
    assert rig.guard.trust.trust("spacing") is Trust.LOST
    with pytest.raises(MotionError, match="may be stopped, homed, or moved between"):
        rig.motion.move({"spacing": 0.020}, "test")
    assert rig.sent() == []


def test_a_lost_axis_may_search_nearby_and_is_known_only_after_being_told(rig: Rig) -> None:
    rig.axes["spacing"].jump(0.010)
    with pytest.raises(MotionError):
        rig.guard.position("spacing")
    rig.motion.move({"spacing": 0.0103}, "local search")
    assert rig.guard.trust.trust("spacing") is Trust.LOST
    rig.guard.restore_trust("spacing", "the light came back where it was")
    assert rig.guard.trust.trust("spacing") is Trust.KNOWN
    assert rig.journal.events[-1][0] == "trust"
    rig.motion.move({"spacing": 0.020}, "test")


def test_an_axis_without_reference_is_lost_from_the_start(rig: Rig) -> None:
    rig.axes["spacing"].has_reference = False
    rig.guard.look_around()
    assert rig.guard.trust.trust("spacing") is Trust.LOST


@pytest.mark.parametrize("confirms", [True, False])
def test_an_axis_that_complains_at_first_is_stopped_since_it_may_move(
    confirms: bool, rig: Rig
) -> None:
    axis = rig.axes["spacing"]
    axis.start_move(rig.description.axes["spacing"].high)
    axis.complaint = Refused("is on its low limit switch")
    axis.stop_error = None if confirms else Refused("is on its low limit switch")
    guard = Guard(rig.description, rig.axes, rig.clock, rig.journal)
    (found,) = guard.look_around()
    assert "its position is lost: is on its low limit switch" in found
    assert axis.stops == 1
    assert guard.trust.trust("spacing") is Trust.LOST


def test_a_first_position_with_a_flipped_bit_is_not_believed(rig: Rig) -> None:
    axis = rig.axes["spacing"]
    here = axis.position()
    axis.misread = [here + 0.016]
    guard = Guard(rig.description, rig.axes, rig.clock, rig.journal)
    assert guard.look_around() == []
    assert guard.trust.last_seen("spacing") == here
    assert guard.trust.trust("spacing") is Trust.KNOWN


def test_an_axis_that_reads_elsewhere_each_time_is_lost_from_the_start(rig: Rig) -> None:
    rig.axes["spacing"].misread = [0.010, 0.020, 0.030, 0.040]
    guard = Guard(rig.description, rig.axes, rig.clock, rig.journal)
    (found,) = guard.look_around()
    assert "at rest it read 10.0000, 20.0000, 30.0000, 40.0000 mm, one after the other" in found
    assert guard.trust.trust("spacing") is Trust.LOST


def _middle(bench: BenchDescription, but: str) -> dict[str, float]:
    return {name: (axis.low + axis.high) / 2 for name, axis in bench.axes.items() if name != but}

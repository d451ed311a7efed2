"""The tests. Each gets a ``rig``; what it opens, it leaves at rest and closed.

Those that take something away from a line, or need a state that nobody beside the bench brings
about, are skipped, and say so.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from contextlib import nullcontext, suppress
from typing import cast

import pytest

from autocell.bench.protocols import Axis, PowerMeter, ReportsLimits, SendsStop
from autocell.description import AxisDescription
from autocell.errors import AutocellError, Busy, Disconnected, LimitError, NoReply
from autocell_drivers.conformance.rig import Rig
from autocell_drivers.conformance.states import (
    STATES,
    axes_on_lines,
    brake,
    first_of_a_stop,
    in_state,
)

STOP_S = 0.5
"""Within which a stop has been sent and confirmed."""
LATE_S = 0.5
"""How much later than a deadline its end may be noticed, by a computer that has more to do."""
PATIENCE_S = 30.0
"""What no single call may take, whatever is wrong. A line that is cut may be waited for longer."""


def test_identity_is_told_and_lines_are_let_go(rig: Rig) -> None:
    for name, described in rig.description.devices.items():
        for _ in range(2):
            with rig.device(name) as device:
                assert described.identity in device.identity
            device.close()


def test_second_owner_of_a_line_is_refused(rig: Rig) -> None:
    for name in rig.description.devices:
        if rig.is_on_a_line(name):
            with rig.device(name), pytest.raises(Busy), rig.device(name):
                pass
    if not any(map(rig.is_on_a_line, rig.description.devices)):
        pytest.skip("no device of this bench has a line of its own that could be owned")


def test_axis_at_rest_tells_a_steady_position_within_its_travel(rig: Rig) -> None:
    for described in rig.axes():
        with rig.axis(described) as axis:
            assert axis.name == described.name
            assert not axis.moving()
            before, after = axis.position(), axis.position()
            assert math.isfinite(before)
            assert abs(before - after) <= 5.0 * described.repeatability
            if isinstance(axis, ReportsLimits):
                low, high = axis.limits()
                assert low < high
                play = 5.0 * described.repeatability
                assert low - play <= described.low < described.high <= high + play
            assert rig.left_unread() == 0


def test_small_move_ends_where_it_was_sent_and_back(rig: Rig) -> None:
    for described in rig.axes():
        with rig.axis(described) as axis:
            start = axis.position()
            target = rig.small_move(axis, described)
            for place in (target, start):
                axis.start_move(place)
                rig.rest(axis, described)
                assert abs(axis.position() - place) <= _near(described)
            assert rig.left_unread() == 0


def test_move_that_was_just_accepted_does_not_look_over(rig: Rig) -> None:
    for described in rig.axes():
        with rig.axis(described) as axis:
            target = rig.small_move(axis, described)
            axis.start_move(target)
            assert axis.moving() or abs(axis.position() - target) <= _near(described)


def test_stop_is_confirmed_in_time_in_every_state_and_nothing_follows_it(rig: Rig) -> None:
    for described in rig.axes():
        with rig.axis(described) as axis:
            _stop_in_time(rig, axis)
            start = axis.position()
            target = rig.small_move(axis, described)
            axis.start_move(target)
            _stop_in_time(rig, axis)
            brake(rig, axis, described)
            at = axis.position()
            low, high = sorted((start, target))
            assert low - _near(described) <= at <= high + _near(described)
            rig.clock.sleep(0.3)
            assert abs(axis.position() - at) <= _near(described)
            _stop_in_time(rig, axis)
            axis.start_move(start)
            rig.rest(axis, described)
            assert abs(axis.position() - start) <= _near(described)
            assert rig.left_unread() == 0


@pytest.mark.parametrize("state", STATES)
def test_stop_leaves_in_time_in_every_state(rig: Rig, state: str) -> None:
    for described in rig.axes():
        with rig.axis(described) as axis:
            stop = first_of_a_stop(rig, axis, described)
            start = axis.position()
            with in_state(rig, axis, described, state):
                asked_s, before = rig.clock.now(), len(rig.faults.left)
                with suppress(NoReply) if state == "in silence" else nullcontext():
                    axis.stop()
                left = [at for at, what in rig.faults.left[before:] if what == stop]
                assert left, "no stop left"
                assert left[0] - asked_s <= STOP_S
            brake(rig, axis, described)
            if state in ("moving", "after a stop"):
                axis.start_move(start)
                rig.rest(axis, described)
                assert abs(axis.position() - start) <= _near(described)


def test_stops_of_all_axes_leave_before_any_is_confirmed(rig: Rig) -> None:
    tried = False
    for name in rig.description.devices:
        described = [axis for axis in rig.description.axes.values() if axis.device == name]
        if len(described) < 2:
            continue
        with rig.device(name) as device:
            axes = [device.axis(axis.name, axis.section) for axis in described]
            if not all(isinstance(axis, SendsStop) for axis in axes):
                continue
            tried = True
            stops = [first_of_a_stop(rig, *pair) for pair in zip(axes, described, strict=True)]
            with rig.silence():
                asked_s, before = rig.clock.now(), len(rig.faults.left)
                for axis in axes:
                    cast(SendsStop, axis).send_stop()
                left = rig.faults.left[before:]
            assert [what for _, what in left] == stops
            assert left[-1][0] - asked_s <= STOP_S
            for axis in axes:
                axis.stop()
            assert rig.left_unread() == 0
    if not tried:
        pytest.skip("no driver here sends the stops of several axes ahead of their confirmation")


def test_nothing_is_left_unread_whatever_was_asked(rig: Rig) -> None:
    for described in axes_on_lines(rig):
        with rig.axis(described) as axis:
            start = axis.position()
            axis.start_move(rig.small_move(axis, described))
            axis.moving()
            axis.stop()
            brake(rig, axis, described)
            assert rig.left_unread() == 0
            axis.start_move(start)
            rig.rest(axis, described)
            assert rig.left_unread() == 0


def test_target_that_is_no_number_is_refused_before_a_byte_leaves(rig: Rig) -> None:
    for described in rig.axes():
        with rig.axis(described) as axis:
            axis.position()
            for target in (math.nan, math.inf):
                written = len(rig.faults.written)
                with pytest.raises(LimitError):
                    axis.start_move(target)
                assert len(rig.faults.written) == written


def test_limits_refuse_before_anything_but_questions_leaves(rig: Rig) -> None:
    with rig.bench() as bench:
        bench.positions()
        rig.faults.left.clear()
        bench.positions()
        questions = set(rig.faults.written)
        for described in rig.axes():
            for beyond in (
                described.low - 0.1 * (described.high - described.low),
                described.high + 0.1 * (described.high - described.low),
            ):
                with pytest.raises(LimitError, match=described.name):
                    bench.move_axes({described.name: beyond}, "conformance")
        assert set(rig.faults.written) <= questions
        assert rig.left_unread() == 0


def test_bench_moves_behind_its_guard_and_reads_the_light(rig: Rig) -> None:
    with rig.bench() as bench:
        before = bench.positions()
        moved = [described.name for described in rig.axes()]
        targets = {}
        for described in rig.axes():
            step = 0.01 * (described.high - described.low)
            middle = 0.5 * (described.low + described.high)
            sign = 1.0 if before[described.name] < middle else -1.0
            targets[described.name] = before[described.name] + sign * step
        bench.move_axes(targets, "conformance")
        after = bench.positions()
        reading = bench.read_power("conformance")
        assert math.isfinite(reading.power_w)
        bench.move_axes({name: before[name] for name in moved}, "conformance")
        for described in rig.axes():
            assert abs(after[described.name] - targets[described.name]) <= _near(described)
        assert rig.left_unread() == 0


def test_meter_takes_fresh_finite_readings_within_its_range(rig: Rig) -> None:
    with rig.meter() as meter:
        assert isinstance(meter, PowerMeter)
        assert meter.reading_time_s >= 0.0
        for _ in range(3):
            reading = meter.read()
            if not reading.overrange:
                assert abs(reading.power_w) <= rig.description.meter.range_w
        assert rig.left_unread() == 0


def test_lost_answer_is_asked_for_again(rig: Rig) -> None:
    for described in axes_on_lines(rig):
        with rig.axis(described) as axis:
            at = axis.position()
            rig.faults.lose = 1
            assert abs(axis.position() - at) <= _near(described)
            rig.faults.lose = 1
            assert not axis.moving()
            assert rig.left_unread() == 0


def test_late_answer_never_answers_the_next_question(rig: Rig) -> None:
    for described in axes_on_lines(rig):
        with rig.axis(described) as axis:
            start = axis.position()
            target = rig.small_move(axis, described)
            rig.faults.keep = 1
            axis.position()
            axis.start_move(target)
            rig.rest(axis, described)
            assert abs(axis.position() - target) <= _near(described)
            rig.faults.keep = 1
            assert not axis.moving()
            assert abs(axis.position() - target) <= _near(described)
            axis.start_move(start)
            rig.rest(axis, described)
            assert rig.left_unread() == 0


def test_move_whose_acknowledgement_is_lost_ends_where_it_was_sent_or_in_an_error(
    rig: Rig,
) -> None:
    for described in axes_on_lines(rig):
        with rig.axis(described) as axis:
            start = axis.position()
            target = rig.small_move(axis, described)
            rig.faults.lose = 1
            _move_or_error(rig, axis, described, target)
            rig.faults.lose = 0
            axis.start_move(start)
            rig.rest(axis, described)
            assert abs(axis.position() - start) <= _near(described)


def test_silence_ends_at_the_computed_deadline_as_an_error_in_words(rig: Rig) -> None:
    axes = rig.axes() if rig.bystander.hush is not None else axes_on_lines(rig)
    for described in axes[:1]:
        with rig.axis(described) as axis:
            asks: list[Callable[[], object]] = [axis.position, axis.moving]
            if rig.is_on_a_line(described.device):
                asks.append(axis.stop)
            for ask in asks:
                with rig.silence():
                    _ends_by_its_deadline(rig, ask)
                rig.rest(axis, described)
            axis.position()
            assert rig.left_unread() == 0


def test_meter_that_is_silent_is_no_reading(rig: Rig) -> None:
    if rig.bystander.hush is None and not rig.is_on_a_line(rig.description.meter.device):
        pytest.skip("the meter has no line of its own, and nobody is there who makes it silent")
    with rig.meter() as meter:
        with rig.silence():
            _ends_by_its_deadline(rig, meter.read)
        meter.read()
        assert rig.left_unread() == 0


def test_line_that_is_cut_is_disconnected_and_stop_does_not_wait_for_it(rig: Rig) -> None:
    for described in axes_on_lines(rig):
        with rig.axis(described) as axis:
            rig.faults.cut = True
            before = rig.clock.now()
            with pytest.raises(Disconnected):
                axis.stop()
            assert rig.clock.now() - before <= STOP_S
            rig.faults.cut = False


def _ends_by_its_deadline(rig: Rig, ask: Callable[[], object]) -> None:
    """What is asked of a silent instrument ends as NoReply, when its last answer has been waited
    for as long as the driver itself has said."""
    rig.faults.deadlines.clear()
    before = rig.clock.now()
    with pytest.raises(NoReply) as told:
        ask()
    after, deadlines = rig.clock.now(), rig.faults.deadlines
    assert len(str(told.value)) > 10
    assert after - before <= PATIENCE_S
    assert all(before <= deadline <= before + PATIENCE_S for deadline in deadlines)
    if deadlines:
        assert after <= max(deadlines) + LATE_S


def _near(described: AxisDescription) -> float:
    """How near to its target an axis has to come, by the bench file."""
    return 3.0 * described.repeatability


def _stop_in_time(rig: Rig, axis: Axis) -> None:
    before = rig.clock.now()
    axis.stop()
    assert rig.clock.now() - before <= STOP_S


def _move_or_error(rig: Rig, axis: Axis, described: AxisDescription, target: float) -> None:
    try:
        axis.start_move(target)
        rig.rest(axis, described)
    except AutocellError:
        return
    assert abs(axis.position() - target) <= _near(described)

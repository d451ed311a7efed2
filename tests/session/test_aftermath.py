"""What the next start makes of a run that broke off."""

from __future__ import annotations

import pytest

from autocell.bench.bench import Bench
from autocell.outcome import Outcome, Verdict
from tests.session.conftest import Laboratory, go_up, only_read


def test_axes_that_are_under_way_are_stopped_and_brought_back(laboratory: Laboratory) -> None:
    start = laboratory.counter("spacing")
    laboratory.break_off(after_s=0.5)
    assert laboratory.simulated.axes["spacing"].in_motion
    ended = laboratory.run(only_read)
    assert ended.outcome.verdict is Verdict.UNCHANGED
    told = laboratory.told[-1]
    assert "broke off on a move of spacing; undone: every axis is where it began" in told
    assert "mW before" in told
    assert any("was moving when the bench was opened" in text for text in laboratory.told)
    # three times the repeatability in the bench file counts as there
    assert laboratory.counter("spacing") == pytest.approx(start, abs=3e-6)


def test_the_run_that_broke_off_is_closed_and_tells_why(laboratory: Laboratory) -> None:
    laboratory.break_off(after_s=0.5)
    laboratory.run(only_read)
    broken, _ = laboratory.runs()
    assert broken.outcome is not None
    assert broken.outcome.verdict is Verdict.HELD
    assert broken.outcome.reason == laboratory.told[-1]
    laboratory.run(only_read)
    assert laboratory.told == [], "it is told once"


def test_the_new_run_goes_home_to_where_the_broken_one_began(laboratory: Laboratory) -> None:
    start = laboratory.counter("spacing")
    laboratory.break_off(after_s=0.5)

    def home(bench: Bench) -> Outcome:
        return Outcome(Verdict.UNCHANGED, "", setting=bench.home_setting)

    home_m = laboratory.run(home).outcome.setting
    assert home_m is not None
    zero_m = laboratory.simulated.description.spacing_at_zero_m
    assert home_m.spacing_m - zero_m == pytest.approx(start, abs=3e-6)


def test_a_move_that_ended_by_itself_is_undone_too(laboratory: Laboratory) -> None:
    start = laboratory.counter("spacing")
    laboratory.break_off(after_s=0.5)
    laboratory.clock.sleep(60.0)
    assert laboratory.counter("spacing") == pytest.approx(start + 5e-3, abs=2e-6)
    laboratory.run(only_read)
    assert laboratory.counter("spacing") == pytest.approx(start, abs=3e-6)


def test_a_controller_that_was_switched_off_holds_until_it_is_homed_and_accepted(
    laboratory: Laboratory,
) -> None:
    laboratory.break_off(after_s=0.5)
    with laboratory.simulated.present():
        for axis in laboratory.simulated.axes.values():
            axis.power_cycle()
    for _ in range(2):
        moves = laboratory.simulated.axes["spacing"].counts.moves
        ended = laboratory.run(only_read)
        assert ended.outcome.verdict is Verdict.HELD
        assert "held, nothing is moved" in laboratory.told[-1]
        assert "spacing: its position is lost: its controller has no" in laboratory.told[-1]
        assert "home the axis at its controller" in laboratory.told[-1]
        assert laboratory.simulated.axes["spacing"].counts.moves == moves

    refused = laboratory.run(only_read, command="accept")
    assert refused.outcome.verdict is Verdict.HELD
    with laboratory.simulated.present():
        for axis in laboratory.simulated.axes.values():
            axis.home()
    laboratory.clock.sleep(120.0)
    assert laboratory.run(only_read, command="accept").error is None
    assert laboratory.runs()[0].outcome is not None
    assert laboratory.run(only_read).outcome.verdict is Verdict.UNCHANGED
    assert not any("broke off" in told for told in laboratory.told)


def test_a_counter_at_zero_is_noticed_where_the_controller_tells_no_reference(
    without_reference: Laboratory,
) -> None:
    without_reference.run(go_up)
    with without_reference.simulated.present():
        axis = without_reference.simulated.axes["spacing"]
        axis.power_cycle()
    without_reference.run(only_read)
    told = without_reference.told[-1]
    assert "the position of spacing is lost: it reads 0.0000 mm" in told
    assert "was its controller switched off?" in told


def test_an_axis_that_was_moved_by_hand_after_a_kill_is_held(
    without_reference: Laboratory,
) -> None:
    without_reference.break_off(after_s=0.5)
    without_reference.clock.sleep(60.0)
    with without_reference.simulated.present():
        without_reference.simulated.axes["pitch"].move_to(3e-3)
    without_reference.clock.sleep(60.0)
    ended = without_reference.run(only_read)
    assert ended.outcome.verdict is Verdict.HELD
    assert "the position of pitch is lost: it reads" in ended.outcome.reason
    assert "what has moved it?" in ended.outcome.reason
    assert without_reference.run(only_read, command="accept").error is None
    assert without_reference.run(only_read).outcome.verdict is Verdict.UNCHANGED


def test_an_axis_moved_by_hand_between_two_runs_is_believed(
    without_reference: Laboratory,
) -> None:
    without_reference.run(only_read)
    with without_reference.simulated.present():
        without_reference.simulated.axes["pitch"].move_to(3e-3)
    without_reference.clock.sleep(60.0)
    assert without_reference.run(only_read).outcome.verdict is Verdict.UNCHANGED
    assert without_reference.told == []


def test_light_that_is_not_what_it_was_holds(laboratory: Laboratory) -> None:
    laboratory.break_off(after_s=0.5)
    laboratory.simulated.laser_on = False
    ended = laboratory.run(only_read)
    assert ended.outcome.verdict is Verdict.HELD
    assert "the light is not what it was" in laboratory.told[-1]
    assert laboratory.runs()[0].outcome is None


def test_a_run_that_broke_off_before_it_moved_needs_no_undoing(laboratory: Laboratory) -> None:
    def killed(bench: Bench) -> Outcome:
        bench.read_power("the start")
        return Outcome(Verdict.UNCHANGED, "")

    laboratory.run(killed)
    (run,) = laboratory.runs()
    laboratory.forget_the_end_of(run.summary.id)
    moves = laboratory.simulated.axes["spacing"].counts.moves
    laboratory.run(only_read)
    assert "before moving anything: nothing to undo" in laboratory.told[-1]
    assert laboratory.simulated.axes["spacing"].counts.moves == moves


def test_demonstrations_that_broke_off_concern_no_other_bench(laboratory: Laboratory) -> None:
    laboratory.run(go_up, command="demo")
    (demo,) = laboratory.runs()
    laboratory.forget_the_end_of(demo.summary.id)
    laboratory.run(only_read)
    assert laboratory.told == []
    laboratory.run(only_read, command="demo")
    first = laboratory.runs()[0]
    assert first.outcome is not None
    assert "its simulated bench ended with it" in first.outcome.reason


def test_an_undoing_that_fails_is_told_and_stays_to_be_done(laboratory: Laboratory) -> None:
    laboratory.break_off(after_s=0.5)
    laboratory.clock.sleep(60.0)
    axis = laboratory.simulated.axes["spacing"]
    axis.faulted = True
    ended = laboratory.run(only_read)
    assert ended.outcome.verdict in (Verdict.HELD, Verdict.FAILED)
    assert "broke off on a move of spacing; held" in ended.outcome.reason
    axis.faulted = False
    assert laboratory.run(only_read).outcome.verdict is Verdict.UNCHANGED
    assert "undone" in laboratory.told[-1]

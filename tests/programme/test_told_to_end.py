"""A service that is stopped or a machine that shuts down ends a process, and holds no bench."""

from __future__ import annotations

import os
import signal
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import pytest

from autocell.bench.bench import Bench
from autocell.bench.stopping import stop_on_signals
from autocell.errors import Stopped, ToldToEnd
from autocell.outcome import Outcome, Verdict
from autocell.procedures.progress import Listener
from autocell.procedures.tuning import Experience
from autocell.programme.around import Around
from autocell.programme.night import Conductor
from autocell.programme.programme import load
from autocell.records import TOLD_TO_END
from tests.programme.conftest import EVENING, NIGHTS, Nights, Write
from tests.programme.test_started_again import leave_moving, moving

Change = Callable[[Bench, int, Listener, Experience | None], Outcome]


def signalled_in_the_middle(nights: Nights, number: signal.Signals) -> Change:
    """A change whose process is signalled with the spacing on its way."""

    def poll(_now_s: float) -> None:
        if moving(nights):
            nights.clock.on_advance.remove(poll)
            os.kill(os.getpid(), number)

    def change(bench: Bench, _p: int, _l: Listener, _e: Experience | None) -> Outcome:
        bench.read_power("the start", max_samples=3)
        nights.clock.on_advance.append(poll)
        bench.move_axes({"spacing": bench.positions()["spacing"] + 5e-3}, "up")
        pytest.fail("the signal was lost")

    return change


def one_night(around: Around, nights: Nights) -> None:
    with stop_on_signals():
        next(Conductor(nights.programme, around).every_night())


def ended_in_the_middle(write: Write, folder: Path, number: signal.Signals) -> Nights:
    nights = Nights(load(write(NIGHTS.replace("go on", "end the programme"))), folder, EVENING)
    around = replace(nights.conductor().around, change=signalled_in_the_middle(nights, number))
    with pytest.raises(Stopped) as stopped:
        one_night(around, nights)
    assert isinstance(stopped.value, ToldToEnd) == (number is signal.SIGTERM)
    nights.clock.sleep(1.0)  # it brakes
    assert not moving(nights)
    return nights


def test_a_night_whose_process_was_told_to_end_is_taken_up_where_it_was(
    write: Write, tmp_path: Path
) -> None:
    nights = ended_in_the_middle(write, tmp_path, signal.SIGTERM)
    assert nights.outcomes == [], "nothing has come to an end that anybody should be told of"
    (run,) = nights.runs()
    assert run.told_to_end
    assert "every axis was told to stop (SIGTERM)" in run.events[-1].text
    began = run.stood["spacing"]

    one_night(nights.conductor().around, nights)
    ended, cleared, again, *_ = nights.runs()
    assert (ended.broke_off, ended.told_to_end) == (True, False)
    told = "(change to 62 passes) broke off when told to end on a move of spacing; undone"
    assert any(told in event.text for event in cleared.events)
    assert again.stood["spacing"] == pytest.approx(began, abs=20e-6)
    assert [run.arguments.get("step") for run in nights.runs()] == [1, None, 1, 4]
    assert [outcome.verdict for outcome in nights.outcomes] == [Verdict.REACHED] * 2


def test_a_night_that_somebody_stopped_waits_for_somebody(write: Write, tmp_path: Path) -> None:
    nights = ended_in_the_middle(write, tmp_path, signal.SIGINT)
    assert [outcome.verdict for outcome in nights.outcomes] == [Verdict.HELD]
    assert "62 passes: held: stopped: every axis was told to stop (SIGINT)" in nights.told[-1]
    one_night(nights.conductor().around, nights)
    assert [run.arguments.get("step") for run in nights.runs()] == [1]
    assert any("say 'autocell accept' first" in text for text in nights.told)


def test_a_signal_after_the_outcome_is_fixed_ends_the_programme_and_not_the_run(
    nights: Nights,
) -> None:
    proved: list[Bench] = []

    def change(bench: Bench, passes: int, _l: Listener, _e: Experience | None) -> Outcome:
        proved.append(bench)
        return Outcome(Verdict.REACHED, "as was to be", wanted_passes=passes)

    def utc() -> datetime:
        """Asked for whenever the run writes something down."""
        if len(proved) == 1:
            proved.append(proved[0])
            os.kill(os.getpid(), signal.SIGTERM)
        return nights.wall.utc()

    around = nights.conductor().around
    around = replace(around, change=change, lines=replace(around.lines, utc=utc))
    with pytest.raises(ToldToEnd):
        one_night(around, nights)
    assert [outcome.verdict for outcome in nights.outcomes] == [Verdict.REACHED]
    (run,) = nights.runs()
    assert run.summary.verdict is Verdict.REACHED
    nights.nights(1)
    assert [run.arguments["step"] for run in nights.runs()] == [1, 4], "the first step is done"


def test_a_clear_up_that_was_told_to_end_is_done_again(nights: Nights) -> None:
    leave_moving(nights)
    doing: list[str] = []

    def alive(text: str) -> None:
        doing.append(text)
        if len(doing) == 3:
            os.kill(os.getpid(), signal.SIGTERM)

    with pytest.raises(ToldToEnd):
        one_night(replace(nights.conductor().around, alive=alive), nights)
    assert nights.outcomes == []
    assert [run.outcome for run in nights.runs()] == [None, None]
    assert TOLD_TO_END in [event.kind for event in nights.runs()[1].events]
    one_night(nights.conductor().around, nights)
    assert [run.broke_off for run in nights.runs()] == [True, True, False, False, False]
    assert [outcome.verdict for outcome in nights.outcomes] == [Verdict.REACHED] * 2

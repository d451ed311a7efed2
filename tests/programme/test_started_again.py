"""What a programme does first when it is started on a bench that something has happened to."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from autocell.bench.bench import Bench
from autocell.description import BenchDescription
from autocell.errors import StoreError
from autocell.outcome import Outcome, Verdict
from autocell.procedures.progress import Listener
from autocell.procedures.tuning import Experience
from autocell.programme.night import Conductor
from autocell.programme.programme import Programme, load
from autocell.records import BROKE_OFF, CLEAR_UP, RunWriter, Store
from autocell.session.aftermath import positions_accepted
from autocell.session.claim import claim
from autocell.session.conduct import Order, conduct
from tests.programme.conftest import EVENING, NIGHTS, Nights, Write, spoil


def leave_moving(nights: Nights, **asked: object) -> None:
    """As a process that was killed on its way leaves it: a run without an end, an axis under way,
    and the move written down before it was sent."""
    bench = nights.simulated.description
    with Store.open(nights.store) as store:
        run: RunWriter = store.begin(
            "change", bench, nights.wall.utc(), "0", {"passes": 62, **asked}
        )
        with nights.simulated.present():
            axis = nights.simulated.axes["spacing"]
            start = axis.counter
            run.stood({"spacing": start})
            run.move_intended(1.0, "spacing", start, start + 5e-3, "up")
            axis.move_to(start + 5e-3)
    nights.clock.sleep(0.5)
    assert axis.in_motion


def moving(nights: Nights) -> bool:
    return nights.simulated.axes["spacing"].in_motion


def watching(nights: Nights) -> tuple[Conductor, list[tuple[str, bool]]]:
    """A conductor, and what it tells, each with whether an axis was moving then."""
    told: list[tuple[str, bool]] = []
    conductor = nights.conductor()
    around = replace(conductor.around, tell=lambda text: told.append((text, moving(nights))))
    return Conductor(conductor.programme, around), told


def test_a_run_that_broke_off_is_dealt_with_before_the_evening_is_waited_for(
    nights: Nights,
) -> None:
    leave_moving(nights)
    conductor, told = watching(nights)
    next(conductor.every_night())
    assert "it was moving when the bench was opened" in told[0][0]
    line, _ = told[1]
    assert not any(was_moving for _, was_moving in told[1:3])
    assert "(change to 62 passes) broke off on a move of spacing; undone" in line
    cleared = nights.runs()[1]
    assert cleared.summary.command == CLEAR_UP
    assert cleared.moves[0].intended_s < 60.0, "hours before the night"
    assert [outcome.verdict for outcome in nights.outcomes] == [Verdict.REACHED] * 2


def test_a_step_that_broke_off_is_done_again_when_its_night_is_taken_up(nights: Nights) -> None:
    nights.clock.sleep(6.0 * 3600.0)  # two hours into the night: a late start has one
    leave_moving(nights, programme=nights.programme.name, night="2026-10-20", step=1)
    nights.nights(1)
    runs = nights.runs()
    assert runs[0].broke_off
    assert [run.arguments.get("step") for run in runs] == [1, None, 1, 4]
    assert {run.arguments.get("night", "2026-10-20") for run in runs} == {"2026-10-20"}
    assert [event.kind for event in runs[0].events] == [BROKE_OFF]


def test_what_keeps_the_bench_held_is_told_at_once_and_keeps_the_steps_held(
    nights: Nights,
) -> None:
    leave_moving(nights)
    nights.clock.sleep(60.0)
    nights.simulated.axes["spacing"].faulted = True
    conductor, told = watching(nights)
    next(conductor.every_night())
    first, step, *_ = nights.outcomes
    assert "broke off on a move of spacing; held" in first.reason
    lines = [text for text, _ in told]
    assert lines.index(first.reason) < lines.index("The night of 2026-10-20 begins.")
    assert "broke off on a move of spacing; held" in step.reason
    assert nights.began == [], "nothing is set on a bench that is held"


def test_a_bench_that_somebody_uses_is_left_to_them(nights: Nights, tmp_path: Path) -> None:
    leave_moving(nights)
    bench = at_a_port(nights.programme, tmp_path)
    nights.programme = replace(nights.programme, bench=bench)
    conductor, told = watching(nights)
    with claim(bench, "change"):
        conductor.once()
    assert "was not looked at" in told[0][0]
    assert "'autocell change' (process" in told[0][0]


def at_a_port(programme: Programme, folder: Path) -> BenchDescription:
    """The bench of a programme, where no other test of this machine has it."""
    bench = programme.bench
    motion = replace(bench.devices["motion"], address=f"socket://127.0.0.1:1/{folder}")
    return replace(bench, devices={**bench.devices, "motion": motion})


def held_then_started_again(on_held: str, write: Write, folder: Path) -> Nights:
    """A first step that was held, and whose process ended before the night did."""
    text = NIGHTS.replace("go on", on_held).replace(
        "{change: 50, skip_if_held: true}", "change: 50"
    )
    nights = Nights(load(write(text)), folder, EVENING)
    nights.held = {62}
    conductor = nights.conductor()

    def killed(outcome: Outcome) -> None:
        nights.outcomes.append(outcome)
        raise KeyboardInterrupt

    around = replace(conductor.around, ended=killed)
    with pytest.raises(KeyboardInterrupt):
        next(Conductor(conductor.programme, around).every_night())
    nights.told.clear()
    return nights


@pytest.mark.parametrize(
    ("on_held", "steps", "nights_carried_out"),
    [("go on", [1, 4, 1], 2), ("end the night", [1, 1], 2), ("end the programme", [1], 1)],
)
def test_what_is_done_on_held_is_done_by_the_process_after_too(
    on_held: str, steps: list[int], nights_carried_out: int, write: Write, tmp_path: Path
) -> None:
    nights = held_then_started_again(on_held, write, tmp_path)
    conductor = nights.conductor()
    carried_out = 0
    for _ in conductor.every_night():
        carried_out += 1
        if carried_out == 2:
            break
    assert [run.arguments["step"] for run in nights.runs()][: len(steps)] == steps
    assert carried_out == nights_carried_out
    assert conductor.worst is Verdict.HELD


def test_a_night_goes_on_once_somebody_has_accepted_the_bench(write: Write, tmp_path: Path) -> None:
    nights = held_then_started_again("end the programme", write, tmp_path)
    lines = nights.conductor().around.lines
    order = Order("accept", nights.programme.bench, nights.store, page=False, lines=lines)
    assert conduct(order, positions_accepted).error is None
    nights.nights(1)
    assert [run.arguments.get("step") for run in nights.runs()] == [1, None, 4]


@contextmanager
def stops_before_it_says(nights: Nights) -> Iterator[None]:
    leave_moving(nights)
    spoil(nights.store)
    with pytest.raises(StoreError, match=r"not a run store.*every axis was told to stop"):
        yield
    nights.clock.sleep(1.0)  # it brakes
    assert not moving(nights)


def test_a_store_that_is_none_stops_the_axes_when_a_programme_is_started(nights: Nights) -> None:
    with stops_before_it_says(nights):
        nights.nights(1)


def test_a_store_that_is_none_stops_the_axes_when_steps_are_carried_out_once(
    nights: Nights,
) -> None:
    with stops_before_it_says(nights):
        nights.conductor().once()


def test_a_store_that_is_spoilt_before_a_recovery_stops_the_axes(
    write: Write, tmp_path: Path
) -> None:
    text = NIGHTS.replace('wait_until: "02:00"', "recover: last")
    nights = Nights(load(write(text)), tmp_path, EVENING)

    def change(_b: Bench, _p: int, _l: Listener, _e: Experience | None) -> Outcome:
        return Outcome(Verdict.REACHED, "")

    def start_and_spoil(now_s: float) -> None:
        if now_s > 600.0 and not nights.store.read_bytes().startswith(b"a note"):
            spoil(nights.store)
            nights.simulated.axes["spacing"].move_to(5e-3)

    nights.clock.on_advance.append(start_and_spoil)
    conductor = nights.conductor()
    Conductor(conductor.programme, replace(conductor.around, change=change)).once()
    recovery = nights.outcomes[1]
    assert recovery.verdict is Verdict.FAILED
    assert "every axis was told to stop" in recovery.reason
    assert not moving(nights)

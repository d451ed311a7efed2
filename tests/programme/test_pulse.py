"""A run that is slow shows that it is alive; one that hangs does not."""

from __future__ import annotations

import threading
from dataclasses import replace
from itertools import pairwise

import pytest

from autocell.bench.bench import Bench
from autocell.bench.clock import VirtualClock
from autocell.outcome import Outcome, Verdict
from autocell.procedures.progress import Listener
from autocell.procedures.tuning import Experience
from autocell.programme.beginning import clear_up_first
from autocell.programme.night import Conductor
from autocell.programme.pulse import Pulse
from tests.programme.conftest import Nights
from tests.programme.test_started_again import leave_moving

WATCHDOG_S = 900.0


def slow(nights: Nights) -> None:
    """From now on the spacing needs a thousand seconds for five millimetres."""
    speed = 5e-3 / 1000.0
    bench = nights.programme.bench
    spacing = replace(bench.axes["spacing"], speed=speed)
    nights.programme = replace(
        nights.programme, bench=replace(bench, axes={**bench.axes, "spacing": spacing})
    )
    axis = nights.simulated.axes["spacing"]
    axis.traits = replace(axis.traits, speed=speed)


def longest_silence_s(nights: Nights, begins_s: float, ends_s: float) -> float:
    shown = [s for s, _ in nights.doing if begins_s < s < ends_s]
    return max(after - before for before, after in pairwise([begins_s, *shown, ends_s]))


def test_a_long_way_back_after_a_crash_is_shown_to_be_alive(nights: Nights) -> None:
    leave_moving(nights)
    nights.clock.sleep(10.0)
    slow(nights)
    began_s = nights.clock.now()
    clear_up_first(nights.programme.bench, nights.conductor().around)
    ended_s = nights.clock.now()
    assert "undone: every axis is where it began" in nights.told[0]
    assert ended_s - began_s > WATCHDOG_S
    assert longest_silence_s(nights, began_s, ended_s) < 10.0


def test_a_long_way_in_a_change_is_shown_to_be_alive(nights: Nights) -> None:
    slow(nights)
    at: list[float] = []

    def change(bench: Bench, passes: int, _l: Listener, _e: Experience | None) -> Outcome:
        at.append(nights.clock.now())
        bench.move_axes({"spacing": bench.positions()["spacing"] + 5e-3}, "up")
        at.append(nights.clock.now())
        return Outcome(Verdict.HELD, "far enough", wanted_passes=passes)

    conductor = nights.conductor()
    Conductor(conductor.programme, replace(conductor.around, change=change)).once()
    assert at[1] - at[0] > WATCHDOG_S
    assert longest_silence_s(nights, at[0], at[1]) < 1.0


def test_who_waits_for_ever_is_not(nights: Nights) -> None:
    began: list[float] = []

    def change(bench: Bench, passes: int, _l: Listener, _e: Experience | None) -> Outcome:
        began.append(nights.clock.now())
        while nights.clock.now() < began[0] + 3.0 * bench.description.caps.time_s:
            bench.clock.sleep(1.0)
        began.append(nights.clock.now())
        return Outcome(Verdict.HELD, "at last", wanted_passes=passes)

    conductor = nights.conductor()
    Conductor(conductor.programme, replace(conductor.around, change=change)).once()
    start_s, end_s = began[:2]
    patience_s = nights.programme.bench.caps.time_s
    shown_s = [s for s, _ in nights.doing if start_s < s < end_s]
    assert max(b - a for a, b in pairwise(shown_s)) < 2.0
    assert max(shown_s) == pytest.approx(start_s + patience_s, abs=10.0)


def test_only_the_thread_that_carries_a_run_out_counts() -> None:
    shown: list[str] = []
    clock = VirtualClock()
    pulse = Pulse(shown.append, "going up", clock, 60.0)
    elsewhere = threading.Thread(target=pulse.sleep, args=(1.0,))
    elsewhere.start()
    elsewhere.join()
    assert shown == ["going up"]
    pulse.sleep(1.0)
    assert shown == ["going up"] * 2
    assert clock.now() == pulse.now() == 2.0

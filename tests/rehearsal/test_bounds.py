"""A rehearsal has so much bench time and so much computing, and then it ends."""

from __future__ import annotations

import signal

import pytest
from autocell_simulators.rehearsal import night as nights
from autocell_simulators.rehearsal.bounds import TookTooLong, bounded
from autocell_simulators.rehearsal.nights import NightsPlan

from autocell.bench.clock import VirtualClock
from autocell.bench.file import load, shipped
from autocell.outcome import Verdict


def sleep_on(clock: VirtualClock, way_out_s: float) -> None:
    try:
        while True:
            clock.sleep(1000.0)
    finally:
        clock.sleep(way_out_s)


def compute_on() -> None:
    while True:
        pass


def test_bench_time_ends_it_once_and_leaves_time_for_the_way_out() -> None:
    clock = VirtualClock()
    with pytest.raises(TookTooLong, match=r"2\.0 hours"), bounded(clock, 7200.0, 60.0):
        sleep_on(clock, way_out_s=10.0)
    assert clock.now() == 8010.0
    assert clock.on_advance == []


@pytest.mark.skipif(not hasattr(signal, "setitimer"), reason="no such timers")
def test_computing_that_never_sleeps_is_ended_too() -> None:
    with pytest.raises(TookTooLong, match="of computing"), bounded(VirtualClock(), 1.0, 0.05):
        compute_on()


def test_what_ends_in_time_is_left_alone() -> None:
    clock, before = VirtualClock(), signal.getsignal(signal.SIGVTALRM)
    with bounded(clock, 10.0, 60.0):
        clock.sleep(10.0)
    assert signal.getsignal(signal.SIGVTALRM) is before
    assert clock.on_advance == []


@pytest.mark.skipif(not hasattr(signal, "setitimer"), reason="no such timers")
def test_a_night_that_computes_for_too_long_has_failed_and_says_so(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    work = NightsPlan(load(shipped("peat-bog")), 62, seed=7)
    work.warm_up()  # an import that is broken off would leave half of a module to other tests
    monkeypatch.setattr(nights, "_MOST_CPU_S", 0.1)
    night = work.night(0)
    assert night.verdict is Verdict.FAILED
    assert night.reason == "no evening: not ended after 0.1 s of computing"

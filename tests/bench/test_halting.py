"""A stop that comes while another is under way, in another thread or in a signal handler."""

from __future__ import annotations

import contextlib
import signal
import sys
import threading
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from types import FrameType
from typing import Any

import pytest
from autocell_simulators.bench import SimulatedBench
from autocell_simulators.inprocess import connector

from autocell.bench import flag
from autocell.bench import halting as module
from autocell.bench.bench import Bench
from autocell.bench.clock import RealClock
from autocell.bench.file import load, shipped
from autocell.bench.opening import open_bench
from autocell.bench.protocols import Line, Transport
from autocell.bench.stopping import remember_interrupts
from autocell.description import BenchDescription
from autocell.errors import NoReply, Stopped
from tests.bench.conftest import Rig

_MET_S = 0.3
"""How long one stop waits for another to come into its way: one that can is there at once."""

_HANGS_S = 30.0

_STOP, _STOP_WHATEVER_MOVES = b" SP\r", b"0 SP\r"
"""The second is what an axis is sent that has not confirmed the first."""


@dataclass
class MetByAnotherStop:
    """A line on which, once all axes were told to stop and before the second has confirmed it,
    somebody else stops the bench as well."""

    inner: Transport
    said: list[bytes]
    another: Callable[[], None]
    confirmed: int = 0

    def write(self, message: bytes) -> None:
        self.said.append(message)
        self.inner.write(message)

    def read_until(self, terminator: bytes, deadline: float) -> bytes:
        if self.said[-1].endswith(_STOP):
            self.confirmed += 1
            if self.confirmed == 2:
                self.another()
        return self.inner.read_until(terminator, deadline)

    def discard_input(self) -> int:
        return self.inner.discard_input()

    def close(self) -> None:
        self.inner.close()


def test_two_that_stop_the_same_line_at_once_both_have_it_confirmed() -> None:
    description, clock = load(shipped("peat-bog")), RealClock()
    inner = connector(SimulatedBench(description, 3, clock))
    opened: list[Bench] = []
    others: list[threading.Thread] = []
    came: list[dict[str, Exception]] = []
    said: list[bytes] = []

    def another() -> None:
        others.append(threading.Thread(target=lambda: came.append(opened[0].stop())))
        others[0].start()
        others[0].join(_MET_S)

    def connect(address: str, line: Line) -> Transport:
        return MetByAnotherStop(inner(address, line), said, another)

    with open_bench(description, clock=clock, connect=connect) as bench:
        opened.append(bench)
        came.append(bench.stop())
        others[0].join()
    assert came == [{}, {}]
    assert _STOP_WHATEVER_MOVES not in said


def on_two_devices(description: BenchDescription) -> BenchDescription:
    axes = {
        name: replace(axis, device="other" if name == "pitch" else axis.device)
        for name, axis in description.axes.items()
    }
    return replace(description, axes=axes)


def test_a_stop_waits_for_its_turn_on_one_line_and_tells_the_others_meanwhile(
    rig_of: Callable[[BenchDescription], Rig], rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    rig = rig_of(on_two_devices(rig.description))
    stopping, confirmed = threading.Event(), threading.Event()

    def slowly() -> None:
        if not stopping.is_set():
            stopping.set()
            assert confirmed.wait(_HANGS_S)

    monkeypatch.setattr(rig.axes["spacing"], "stop", slowly)
    first = threading.Thread(target=rig.guard.halting.stop_all)
    first.start()
    assert stopping.wait(_HANGS_S)
    told = rig.axes["yaw"].stops
    second = threading.Thread(target=rig.guard.halting.stop_all)
    second.start()
    second.join(_MET_S)
    waits = second.is_alive() and rig.axes["yaw"].stops == told
    elsewhere = rig.axes["pitch"].stops
    confirmed.set()
    first.join()
    second.join()
    assert waits
    assert elsewhere == 2
    assert rig.axes["yaw"].stops == told + 2


def test_a_stop_that_nobody_ends_does_not_keep_another_from_telling_the_axes(
    rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "_TURN_S", 0.05)
    stopping, confirmed = threading.Event(), threading.Event()

    def never() -> None:
        if not stopping.is_set():
            stopping.set()
            assert confirmed.wait(_HANGS_S)

    monkeypatch.setattr(rig.axes["spacing"], "stop", never)
    first = threading.Thread(target=rig.guard.halting.stop_all)
    first.start()
    assert stopping.wait(_HANGS_S)
    failures = rig.guard.halting.stop_all()
    told = [axis.stops for name, axis in rig.axes.items() if name != "spacing"]
    confirmed.set()
    first.join()
    assert failures == {}
    assert all(told)


_OF_A_STOP = (module.__file__, flag.__file__, threading.__file__)


@dataclass
class Signals:
    """At every step of a stop, and of what is set to tell of it, ``come`` is called
    with the number of the step, as a signal handler would be."""

    come: Callable[[int], None]
    steps: int = 0
    inside: bool = field(default=False, init=False)

    def __call__(self, frame: FrameType, _event: str, _argument: Any) -> Any:
        if not self.inside and frame.f_code.co_filename in _OF_A_STOP:
            self.inside = True
            try:
                self.come(self.steps)
            finally:
                self.inside = False
            self.steps += 1
        return self


def ends(job: Callable[[], object]) -> bool:
    """Whether a job ends, in a thread of its own that can be left behind."""
    thread = threading.Thread(target=job, daemon=True)
    thread.start()
    thread.join(_HANGS_S)
    return not thread.is_alive()


def test_a_signal_at_any_step_of_a_stop_asks_for_another_and_waits_for_nothing(rig: Rig) -> None:
    halting = rig.guard.halting
    signals = Signals(lambda _step: halting.request_stop())

    def stop() -> None:
        sys.settrace(signals)
        halting.stop_all()
        sys.settrace(None)

    assert ends(stop)
    assert signals.steps > 50
    assert [axis.stops for axis in rig.axes.values()] == [1] * len(rig.axes)


def test_a_stop_that_is_broken_off_at_any_step_can_be_made_again(rig: Rig) -> None:
    halting = rig.guard.halting
    rig.axes["yaw"].stop_error = NoReply("silent")
    broken_off: list[int] = []
    told: list[bool] = []

    def stop_broken_off_at(step: int) -> bool:
        def come(now: int) -> None:
            if now == step:
                raise Stopped("stopped by SIGINT")

        sys.settrace(Signals(come))
        try:
            halting.stop_all()
        except Stopped:
            return True
        finally:
            sys.settrace(None)
        return False

    def every_step() -> None:
        while stop_broken_off_at(len(broken_off)):
            broken_off.append(len(broken_off))
            told.append(set(halting.stop_all()) == {"yaw"})
            halting.clear_stop()

    assert ends(every_step)
    assert len(broken_off) > 50
    assert all(told)


def test_an_interrupt_while_another_is_remembered_waits_for_nothing() -> None:
    with remember_interrupts():
        remember: Any = signal.getsignal(signal.SIGINT)

        def once_more(_step: int) -> None:
            with contextlib.suppress(KeyboardInterrupt):
                remember(signal.SIGINT, None)

        signals = Signals(once_more)

        def twice() -> None:
            sys.settrace(signals)
            with contextlib.suppress(KeyboardInterrupt):
                remember(signal.SIGINT, None)
            sys.settrace(None)

        assert ends(twice)
    assert signals.steps > 2

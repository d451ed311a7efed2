"""An interrupt becomes one stop, and the handlers come back."""

from __future__ import annotations

import os
import signal
import threading

import pytest

from autocell.bench.stopping import stop_on_signals
from autocell.errors import Stopped


def wait_after(number: signal.Signals) -> None:
    """Signal this process, and wait for what comes of it."""
    os.kill(os.getpid(), number)
    signal.pause()


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_a_signal_raises_stopped_and_the_handlers_come_back(number: signal.Signals) -> None:
    before = signal.getsignal(signal.SIGINT), signal.getsignal(signal.SIGTERM)
    with pytest.raises(Stopped, match=number.name), stop_on_signals():
        wait_after(number)
    assert (signal.getsignal(signal.SIGINT), signal.getsignal(signal.SIGTERM)) == before


def test_further_signals_do_not_interrupt_the_stopping() -> None:
    told = []

    def interrupted_while_stopping() -> None:
        try:
            wait_after(signal.SIGINT)
        finally:
            for axis in range(3):
                os.kill(os.getpid(), signal.SIGINT)
                os.kill(os.getpid(), signal.SIGTERM)
                told.append(axis)

    with pytest.raises(Stopped), stop_on_signals():
        interrupted_while_stopping()
    assert told == [0, 1, 2]


def test_no_broad_except_swallows_a_stop() -> None:
    def careless() -> None:
        try:
            wait_after(signal.SIGTERM)
        except Exception:
            pytest.fail("the stop was swallowed")

    with pytest.raises(Stopped), stop_on_signals():
        careless()


def test_outside_the_main_thread_it_changes_nothing() -> None:
    before = signal.getsignal(signal.SIGINT)
    seen = []

    def elsewhere() -> None:
        with stop_on_signals():
            seen.append(signal.getsignal(signal.SIGINT))

    thread = threading.Thread(target=elsewhere)
    thread.start()
    thread.join()
    assert seen == [before]


def test_an_interrupt_that_is_held_raises_once_at_the_end() -> None:
    done = []

    def begin_and_go_on() -> None:
        with stop_on_signals() as interrupts:
            with interrupts.held():
                os.kill(os.getpid(), signal.SIGINT)
                os.kill(os.getpid(), signal.SIGTERM)
                done.append("held")
            done.append("never reached")

    with pytest.raises(Stopped, match="SIGINT"):
        begin_and_go_on()
    assert done == ["held"]


def test_once_nothing_is_left_to_stop_an_interrupt_changes_nothing() -> None:
    with stop_on_signals() as interrupts:
        interrupts.ignore()
        os.kill(os.getpid(), signal.SIGINT)

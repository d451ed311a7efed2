"""An interrupt becomes one stop, and the handlers come back."""

from __future__ import annotations

import os
import signal
import threading
import time
from collections.abc import Iterator

import pytest

from autocell.bench.stopping import remember_interrupts, stop_on_signals
from autocell.errors import Stopped, ToldToEnd


def wait_after(number: signal.Signals) -> None:
    """Signal this process, and wait for what comes of it."""
    os.kill(os.getpid(), number)
    signal.pause()


@pytest.fixture
def with_a_terminal() -> Iterator[None]:
    """Hanging up ends this process, also when the tests were started to outlive their terminal."""
    before = signal.signal(signal.SIGHUP, signal.SIG_DFL)
    yield
    signal.signal(signal.SIGHUP, before)


@pytest.mark.usefixtures("with_a_terminal")
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


@pytest.mark.usefixtures("with_a_terminal")
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP])
def test_what_ends_processes_asks_for_no_hold(number: signal.Signals) -> None:
    with pytest.raises(ToldToEnd), stop_on_signals() as interrupts:
        wait_after(number)
    assert interrupts.told_to_end


def test_what_a_person_presses_is_a_stop_and_no_end_of_a_process() -> None:
    with pytest.raises(Stopped) as stopped, stop_on_signals() as interrupts:
        wait_after(signal.SIGINT)
    assert not isinstance(stopped.value, ToldToEnd)
    assert not interrupts.told_to_end


def test_a_stop_that_was_asked_for_is_none_either() -> None:
    def asked() -> None:
        with stop_on_signals() as interrupts:
            assert interrupts.ask("'autocell stop'")
            signal.pause()

    with pytest.raises(Stopped, match="by 'autocell stop'") as stopped:
        asked()
    assert not isinstance(stopped.value, ToldToEnd)


def test_a_signal_with_nothing_left_to_stop_stops_what_goes_on_around() -> None:
    gone_on = []

    def run_and_go_on() -> None:
        with stop_on_signals() as interrupts:
            interrupts.ignore()
            os.kill(os.getpid(), signal.SIGTERM)
        gone_on.append("with the next")

    with pytest.raises(ToldToEnd), stop_on_signals():
        run_and_go_on()
    assert gone_on == []


def test_a_signal_that_has_stopped_what_is_within_is_not_told_around_again() -> None:
    def signalled_twice() -> None:
        try:
            wait_after(signal.SIGINT)
        finally:
            os.kill(os.getpid(), signal.SIGTERM)

    with stop_on_signals() as around, pytest.raises(Stopped, match="SIGINT"), stop_on_signals():
        signalled_twice()
    assert not around.told_to_end


def test_a_run_that_was_started_to_outlive_its_terminal_does() -> None:
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        with stop_on_signals():
            os.kill(os.getpid(), signal.SIGHUP)
    finally:
        signal.signal(signal.SIGHUP, before)


class LosesWhatIsRaised:
    """Its finaliser takes an interrupt, and Python drops whatever a finaliser raises."""

    def __del__(self) -> None:
        os.kill(os.getpid(), signal.SIGINT)
        time.sleep(0.01)


def test_an_interrupt_that_python_drops_is_told_all_the_same(
    capsys: pytest.CaptureFixture[str],
) -> None:
    told = []
    with stop_on_signals() as interrupts:
        interrupts.tell(lambda: told.append("stop"))
        LosesWhatIsRaised()
    assert told == ["stop"]
    assert "Traceback" not in capsys.readouterr().err


def test_an_interrupt_that_came_before_anybody_could_be_told_is_not_forgotten() -> None:
    told = []
    with stop_on_signals() as interrupts:
        LosesWhatIsRaised()
        interrupts.tell(lambda: told.append("stop"))
    assert told == ["stop"]


def test_an_interrupt_that_is_dropped_before_the_bench_opens_stops_it_from_opening() -> None:
    def go_on() -> None:
        with remember_interrupts():
            LosesWhatIsRaised()
            with stop_on_signals():
                pytest.fail("it went on")

    with pytest.raises(Stopped):
        go_on()

"""A stop reaches a run in whatever thread it is, and whatever that thread is doing."""

from __future__ import annotations

import contextlib
import os
import signal
import sqlite3
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from autocell_simulators.inprocess import connector

from autocell.bench.bench import Bench
from autocell.bench.file import load, shipped
from autocell.bench.protocols import Line, Transport
from autocell.errors import Disconnected, Stopped, ToldToEnd
from autocell.outcome import Outcome, Verdict
from autocell.records import Store
from autocell.session.claim import Stop, ask_to_stop, claim_names
from autocell.session.conduct import Ended
from tests.session.conftest import Laboratory, go_up


@pytest.fixture
def laboratory(tmp_path: Path) -> Laboratory:
    """One with an address that can be claimed."""
    shipped_file = shipped("peat-bog")
    dialect = shipped_file.with_name("plain-motion.yaml")
    (tmp_path / dialect.name).write_bytes(dialect.read_bytes())
    text = shipped_file.read_text("utf-8")
    assert text.count("/dev/ttyUSB0") == 1
    bench = tmp_path / "bench.yaml"
    bench.write_text(text.replace("/dev/ttyUSB0", f"socket://127.0.0.1:1/{tmp_path}"), "utf-8")
    return Laboratory(load(bench), tmp_path)


def test_a_thread_that_calculates_does_not_keep_the_axes_from_being_told(
    laboratory: Laboratory,
) -> None:
    calculates, told = threading.Event(), threading.Event()

    def procedure(bench: Bench) -> Outcome:
        calculates.set()
        assert told.wait(60.0)
        bench.move_axes({"yaw": 1e-3}, "after a long calculation")
        return Outcome(Verdict.UNCHANGED, "never reached")

    ended: list[Ended] = []
    thread = threading.Thread(target=lambda: ended.append(laboratory.run(procedure)))
    thread.start()
    assert calculates.wait(60.0)
    (name,) = claim_names(laboratory.simulated.description)
    came = ask_to_stop(name)
    moves = laboratory.simulated.axes["yaw"].counts.moves
    told.set()
    thread.join()
    assert came.told
    assert came.unconfirmed == {}
    assert isinstance(ended[0].error, Stopped)
    assert ended[0].outcome.verdict is Verdict.HELD
    assert "every axis was told to stop" in ended[0].outcome.reason
    assert laboratory.simulated.axes["yaw"].counts.moves == moves == 0


def test_a_stop_in_the_main_thread_interrupts_whatever_it_waits_for(
    laboratory: Laboratory,
) -> None:
    (name,) = claim_names(laboratory.simulated.description)
    came = []

    def procedure(_bench: Bench) -> Outcome:
        thread = threading.Thread(target=lambda: came.append(ask_to_stop(name)))
        try:
            thread.start()
            threading.Event().wait(60.0)  # as a read of a silent port waits
        finally:
            laboratory.told.append("interrupted")
        return Outcome(Verdict.UNCHANGED, "never reached")

    ended = laboratory.run(procedure)
    assert isinstance(ended.error, Stopped)
    assert "('autocell stop' (process" in ended.outcome.reason
    assert laboratory.told == ["interrupted"]


class SlowToOpen:
    """Lines of a bench whose controller has been left with an axis on its way: the first that is
    asked for is not there yet, and ``meanwhile`` is done."""

    def __init__(self, laboratory: Laboratory, meanwhile: Callable[[], None]) -> None:
        self.asked = 0
        self.gone = False
        self._meanwhile = meanwhile
        self._inner = connector(laboratory.simulated)
        with laboratory.simulated.present():
            laboratory.simulated.axes["spacing"].move_to(0.049)

    def __call__(self, address: str, line: Line) -> Transport:
        self.asked += 1
        if self.asked == 1:
            self._meanwhile()
        elif self.gone:
            raise Disconnected("no such port")
        return self._inner(address, line)


def never(_bench: Bench) -> Outcome:
    raise AssertionError("nothing begins after a stop")


def is_moving(laboratory: Laboratory) -> bool:
    with laboratory.simulated.present():
        return laboratory.simulated.axes["spacing"].in_motion


def test_a_stop_that_comes_while_the_bench_is_opened_is_answered_once_every_axis_was_told(
    laboratory: Laboratory,
) -> None:
    (name,) = claim_names(laboratory.simulated.description)
    came: list[Stop] = []
    thread = threading.Thread(target=lambda: came.append(ask_to_stop(name)))

    def asked_meanwhile() -> None:
        thread.start()
        threading.Event().wait(60.0)  # as a port that does not open

    ended = laboratory.run(never, connect=SlowToOpen(laboratory, asked_meanwhile))
    thread.join()
    assert (came[0].told, came[0].unconfirmed) == (True, {})
    assert not is_moving(laboratory)
    assert isinstance(ended.error, Stopped)
    assert ended.outcome.verdict is Verdict.HELD
    assert "every axis was told to stop, this run had moved nothing" in ended.outcome.reason


def test_a_bench_that_cannot_be_opened_for_a_stop_is_not_said_to_be_stopped(
    laboratory: Laboratory,
) -> None:
    (name,) = claim_names(laboratory.simulated.description)
    came: list[Stop] = []
    thread = threading.Thread(target=lambda: came.append(ask_to_stop(name)))

    def asked_meanwhile() -> None:
        thread.start()
        threading.Event().wait(60.0)

    lines = SlowToOpen(laboratory, asked_meanwhile)
    lines.gone = True
    ended = laboratory.run(never, connect=lines)
    thread.join()
    assert "no such port" in came[0].unconfirmed["every axis"]
    assert "not all confirmed it: every axis: the bench could not be" in ended.outcome.reason


def test_ctrl_c_while_the_bench_is_opened_tells_every_axis(laboratory: Laboratory) -> None:
    def ctrl_c() -> None:
        os.kill(os.getpid(), signal.SIGINT)
        threading.Event().wait(60.0)

    ended = laboratory.run(never, connect=SlowToOpen(laboratory, ctrl_c))
    assert not is_moving(laboratory)
    assert ended.outcome.reason.startswith("stopped by SIGINT, before the bench was open")


def test_a_stop_of_another_thread_that_opens_the_bench_is_answered_once_it_is_open(
    laboratory: Laboratory,
) -> None:
    (name,) = claim_names(laboratory.simulated.description)
    opening, goes_on = threading.Event(), threading.Event()

    def until_asked() -> None:
        opening.set()
        assert goes_on.wait(60.0)

    ended: list[Ended] = []
    lines = SlowToOpen(laboratory, until_asked)
    runs = threading.Thread(target=lambda: ended.append(laboratory.run(go_up, connect=lines)))
    runs.start()
    assert opening.wait(60.0)
    came: list[Stop] = []
    asks = threading.Thread(target=lambda: came.append(ask_to_stop(name)))
    asks.start()
    asks.join(0.5)
    early = list(came)
    goes_on.set()
    asks.join()
    runs.join()
    assert early == []
    assert (came[0].told, came[0].unconfirmed) == (True, {})
    assert isinstance(ended[0].error, Stopped)
    assert not is_moving(laboratory)


@pytest.fixture(params=["that is new", "that has been used"])
def locked(laboratory: Laboratory, request: pytest.FixtureRequest) -> Iterator[sqlite3.Connection]:
    """A run store that another program has locked: one waits for the first to open it, for the
    other to begin a run. An axis has been left on its way."""
    if request.param == "that has been used":
        Store.open(laboratory.store_path).close()
    with contextlib.closing(sqlite3.connect(laboratory.store_path, isolation_level=None)) as other:
        other.execute("BEGIN EXCLUSIVE")
        other.execute("CREATE TABLE peat (depth)")
        with laboratory.simulated.present():
            laboratory.simulated.axes["spacing"].move_to(0.049)
        yield other


def until_told(ask: Callable[[], Stop]) -> Stop:
    """Ask until there is somebody to be told."""
    while True:
        with contextlib.suppress(OSError):
            came = ask()
            if came.told:
                return came


@pytest.mark.usefixtures("locked")
def test_a_stop_that_comes_while_the_run_store_is_locked_tells_every_axis(
    laboratory: Laboratory,
) -> None:
    (name,) = claim_names(laboratory.simulated.description)
    came: list[Stop] = []
    asks = threading.Thread(target=lambda: came.append(until_told(lambda: ask_to_stop(name))))
    asks.start()
    with pytest.raises(Stopped, match=r"before the bench was open; every axis was told to stop, t"):
        laboratory.run(never)
    asks.join()
    assert came[0].unconfirmed == {}
    assert not is_moving(laboratory)


@pytest.mark.usefixtures("locked")
def test_a_signal_ends_the_wait_for_a_locked_run_store(
    laboratory: Laboratory, monkeypatch: pytest.MonkeyPatch
) -> None:
    def told_to_end() -> None:
        os.kill(os.getpid(), signal.SIGTERM)

    monkeypatch.setattr("autocell.records.database._until_the_next_turn", told_to_end)
    with pytest.raises(ToldToEnd, match=r"stopped by SIGTERM, before .* every axis was told"):
        laboratory.run(never)
    assert not is_moving(laboratory)

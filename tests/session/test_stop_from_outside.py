"""A stop reaches a run in whatever thread it is, and whatever that thread is doing."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest

from autocell.bench.bench import Bench
from autocell.bench.file import load, shipped
from autocell.errors import Stopped
from autocell.outcome import Outcome, Verdict
from autocell.session.claim import ask_to_stop, claim_names
from autocell.session.conduct import Ended
from tests.session.conftest import Laboratory


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
        thread.start()
        try:
            threading.Event().wait(60.0)  # as a read of a silent port waits
        finally:
            laboratory.told.append("interrupted")
        return Outcome(Verdict.UNCHANGED, "never reached")

    ended = laboratory.run(procedure)
    assert isinstance(ended.error, Stopped)
    assert "('autocell stop' (process" in ended.outcome.reason
    assert laboratory.told == ["interrupted"]

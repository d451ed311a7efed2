"""A programme whose process is told to end, over real lines: what it does, and what the next
makes of it."""

from __future__ import annotations

import re
import signal
import subprocess
import time
from collections.abc import Collection, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from autocell.outcome import Verdict
from autocell.records import MoveRecord, RunSummary, Store
from tests.cli.conftest import CommandLine
from tests.cli.test_stop import slow_bench

Process = subprocess.Popen[str]


def programme(folder: Path, bench: Path) -> Path:
    """One whose night began a minute ago, and ends with what is held."""
    begins = datetime.now(UTC) - timedelta(minutes=1)
    path = folder / "night.yaml"
    path.write_text(
        f"programme: one night (invented)\nbench: {bench}\ntime_zone: UTC\n"
        f'every_night_at: "{begins:%H:%M}"\non_held: end the night\nmorning_report: false\n'
        "steps:\n  - change: 50\n  - settle_min: 600\n",
        "utf-8",
    )
    return path


def on_its_way(autocell: CommandLine, before: Collection[str]) -> MoveRecord | None:
    """A long move of the spacing that is under way in a run that was not there before."""
    new = [run.id for run in runs(autocell) if run.id not in before]
    if not new:
        return None
    with Store.open(autocell.store) as store:
        moves = store.run(new[-1]).moves
    far = [move for move in moves if abs(move.target - move.start) >= 5e-3]
    return next((m for m in far if m.axis == "spacing" and m.ended_s is None), None)


def signalled_in_the_middle(
    autocell: CommandLine, process: Process, number: signal.Signals
) -> tuple[MoveRecord, str]:
    """A process that is signalled with the spacing on its way: on which, and its last words."""
    before = {run.id for run in runs(autocell) if run.verdict is not None}
    while (move := on_its_way(autocell, before)) is None:
        assert process.poll() is None, process.communicate()
        time.sleep(0.02)
    process.send_signal(number)
    _, err = process.communicate(timeout=240)
    assert "Traceback" not in err
    return move, err


def said(process: Process, words: str) -> str:
    """All that a process says up to the line with these words."""
    assert process.stderr is not None
    lines: list[str] = []
    while not lines or words not in lines[-1]:
        lines.append(process.stderr.readline())
        assert lines[-1], lines
    return "".join(lines)


@contextmanager
def running(autocell: CommandLine, path: Path) -> Iterator[Process]:
    """A programme that ends with its test, however that ends."""
    process = autocell.start("run", path)
    try:
        yield process
    finally:
        process.kill()
        process.communicate()


def runs(autocell: CommandLine) -> list[RunSummary]:
    if not autocell.store.exists():
        return []
    with Store.open(autocell.store) as store:
        return store.runs()[::-1]


@pytest.mark.thorough
def test_a_service_that_is_stopped_goes_on_with_its_night_and_one_by_hand_waits(
    autocell: CommandLine,
) -> None:
    with autocell.simulating("--seed", 5, bench=slow_bench(autocell.folder)) as bench:
        path = programme(autocell.folder, bench.bench_file)

        with running(autocell, path) as process:
            _, told = signalled_in_the_middle(autocell, process, signal.SIGTERM)
            assert process.returncode == 143
            assert "every axis was told to stop (SIGTERM)" in told
            assert "the next start undoes what was broken off" in told
            assert [run.verdict for run in runs(autocell)] == [None]

        with running(autocell, path) as process:
            begun = said(process, "Step 1: change")
            assert re.search(r"broke off when told to end on a move of \S.*spacing", begun), begun
            assert "undone: every axis is where it began" in begun
            move, told = signalled_in_the_middle(autocell, process, signal.SIGINT)
            assert process.returncode == 4
            assert "every axis was told to stop (SIGINT)" in told
            ended = [run.verdict for run in runs(autocell)]
            assert ended == [Verdict.HELD, Verdict.UNCHANGED, Verdict.HELD]

        with running(autocell, path) as process:
            left_out = said(process, "The rest of the night is left out.")
            assert "done before, held" in left_out
            process.send_signal(signal.SIGTERM)
            process.communicate(timeout=240)
            assert process.returncode == 143
            assert len(runs(autocell)) == 3, "nothing was begun"
        at_rest = bench.end()["positions"]["spacing"]
    low, high = sorted((move.start, move.target))
    assert low < at_rest < high, "it must have stopped on its way"

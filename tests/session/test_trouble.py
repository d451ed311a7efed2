"""A store that cannot be written, a full disk, a clock that is set: the bench is safe first."""

from __future__ import annotations

import json
import subprocess
import sys
from datetime import UTC, datetime, timedelta

import pytest
from autocell_simulators.inprocess import connector

from autocell.bench.bench import Bench
from autocell.errors import Stopped, StoreError, ToldToEnd
from autocell.outcome import Outcome, Verdict
from autocell.records import Store
from autocell.session.safe import Lines, safe_first
from tests.session.conftest import Laboratory, go_up, only_read

ON_A_SMALL_DISK = """
import json, resource, sys
from pathlib import Path
from autocell.bench.file import load, shipped
from tests.session.conftest import Laboratory

laboratory = Laboratory(load(shipped("peat-bog")), Path(sys.argv[1]))

def up_and_down(bench):
    bench.read_power("the start")
    # A file that may not grow is the nearest to a full disk that needs no disk of its own.
    size = laboratory.store_path.with_name("runs.sqlite-wal").stat().st_size
    resource.setrlimit(resource.RLIMIT_FSIZE, (size + 20_000, resource.RLIM_INFINITY))
    start = bench.positions()["spacing"]
    while True:
        bench.move_axes({"spacing": start + 1e-3}, "up")
        bench.move_axes({"spacing": start}, "down")

ended = laboratory.run(up_and_down)
resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
made = laboratory.simulated.axes["spacing"].counts.moves
still = not any(axis.in_motion for axis in laboratory.simulated.axes.values())
intended = len(laboratory.runs()[0].moves)
again = laboratory.run(lambda bench: ended.outcome)
print(json.dumps({
    "reason": ended.outcome.reason, "kind": type(ended.error).__name__, "made": made,
    "intended": intended, "still": still, "told": laboratory.told,
}))
"""


def test_a_store_that_is_none_stops_the_axes_before_anything_is_said(
    laboratory: Laboratory,
) -> None:
    laboratory.break_off(after_s=0.5)
    for file in laboratory.store_path.parent.glob("runs.sqlite*"):
        file.unlink()
    laboratory.store_path.write_text("a note about Sphagnum, long enough to be read " * 30)
    assert laboratory.simulated.axes["spacing"].in_motion
    with pytest.raises(StoreError, match=r"not a run store.*every axis was told to stop"):
        laboratory.run(only_read)
    laboratory.clock.sleep(1.0)  # it brakes
    assert not laboratory.simulated.axes["spacing"].in_motion


@pytest.mark.parametrize("ends", [ToldToEnd("stopped by SIGTERM"), KeyboardInterrupt()])
def test_who_is_stopped_while_waiting_for_a_store_stops_the_axes_first(
    laboratory: Laboratory, ends: BaseException
) -> None:
    laboratory.break_off(after_s=0.5)
    lines = Lines(lambda: laboratory.clock, connector(laboratory.simulated))
    with (
        pytest.raises(Stopped, match=r"stopped by SIG.*; every axis was told to stop") as raised,
        safe_first(laboratory.simulated.description, lines),
    ):
        raise ends
    assert isinstance(raised.value, ToldToEnd) is isinstance(ends, ToldToEnd)
    assert not laboratory.simulated.axes["spacing"].in_motion


def test_a_disk_that_fills_stops_the_run_with_no_move_that_is_not_written_down(
    laboratory: Laboratory,
) -> None:
    ended = subprocess.run(
        [sys.executable, "-c", ON_A_SMALL_DISK, str(laboratory.store_path.parent)],
        capture_output=True,
        encoding="utf-8",
        check=False,
    )
    assert ended.stdout, ended.stderr
    told = json.loads(ended.stdout)
    assert told["kind"] == "StoreError"
    assert "check the disk and its free space" in told["reason"] or "full" in told["reason"]
    assert told["still"]
    assert told["made"] <= told["intended"]
    assert "undone" in told["told"][-1], "the next run finds room again"


def test_a_clock_that_is_set_back_changes_neither_order_nor_durations(
    laboratory: Laboratory,
) -> None:
    now = datetime(2026, 10, 25, 0, 59, 30, tzinfo=UTC)  # the hour that summer time gives back
    times = iter([now, now + timedelta(minutes=1), now - timedelta(hours=1)])
    ids = []
    for time in times:
        with Store.open(laboratory.store_path, utc=lambda time=time: time) as store:
            writer = store.begin("change", laboratory.simulated.description, time, "0", {})
            writer.move_intended(1.0, "spacing", 0.0, 0.001, "up")
            writer.finish(Outcome(Verdict.HELD, "", elapsed_s=12.0))
            ids.append(writer.id)
    with Store.open(laboratory.store_path) as store:
        assert [run.id for run in reversed(store.runs())] == ids
        assert store.whereabouts(laboratory.simulated.description.name)["spacing"].run == ids[-1]


def test_a_run_that_crosses_a_change_of_the_clock_is_timed_by_the_bench(
    laboratory: Laboratory,
) -> None:
    def slow(bench: Bench) -> Outcome:
        bench.clock.sleep(100.0)
        return go_up(bench)

    laboratory.run(slow)
    (run,) = laboratory.runs()
    assert run.moves[0].intended_s > 100.0
    took = run.moves[0].intended_utc - run.summary.started_utc
    assert took.total_seconds() < 60.0, "the machine's clock did not go on by as much"

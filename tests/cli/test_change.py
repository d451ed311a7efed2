"""``simulate`` in one process and the other commands in another, over the printed lines."""

from __future__ import annotations

import signal
import time

import pytest

from autocell.outcome import Verdict
from autocell.records import MoveRecord, Store
from tests.cli.conftest import CommandLine


def test_a_change_over_the_printed_lines_and_all_that_can_be_asked_of_it(
    autocell: CommandLine,
) -> None:
    with autocell.simulating("--seed", 5) as bench:
        changed = autocell("change", 50, "--bench", bench.bench_file)
        status = autocell("status", "--bench", bench.bench_file)
        offline = autocell("status", "--bench", bench.bench_file, "--offline", "--json")
        page = autocell.folder / "page.html"
        report = autocell("report", "last", "--output", page)
        truth = bench.end()
    assert changed.code == 0, changed.err
    assert "Reached 50 passes, proved" in changed.out
    assert "low edge" in changed.out
    assert "holds" in changed.out
    assert "Laser class 3B" in changed.err
    assert "Report: " in changed.err
    assert "approach" not in changed.out, "progress belongs on standard error"
    assert truth["passes"] == 50
    assert truth["limit_violations"] == 0

    assert status.code == 0
    assert "50 passes" in status.out
    assert "axes and power agree with the last proof" in status.out
    assert offline.json["now"] is None
    assert offline.json["last_proved"]["passes"] == 50
    assert report.out.strip() == str(page)
    assert "Reached 50 passes" in page.read_text("utf-8")


def unfinished_move(autocell: CommandLine, least_m: float) -> MoveRecord | None:
    """A long move of the spacing that is under way, by the journal."""
    if not autocell.store.exists():
        return None
    with Store.open(autocell.store) as store:
        for summary in store.runs():
            for move in store.run(summary.id).moves:
                far = abs(move.target - move.start) >= least_m
                if move.axis == "spacing" and far and move.ended_s is None:
                    return move
    return None


def test_ctrl_c_in_the_middle_of_a_move_stops_every_axis(
    autocell: CommandLine,
) -> None:
    with autocell.simulating("--seed", 5) as bench:
        process = autocell.start("change", 62, "--bench", bench.bench_file, "--json")
        while (move := unfinished_move(autocell, least_m=5e-3)) is None:
            assert process.poll() is None, process.communicate()
            time.sleep(0.02)
        time.sleep(0.5)
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=240)
        at_rest = bench.end()["positions"]["spacing"]
    assert process.returncode == 4
    assert "Traceback" not in out + err
    assert "stopped: every axis was told to stop" in err
    assert "SIGINT" in err
    assert '"verdict": "held"' in out

    low, high = sorted((move.start, move.target))
    assert low + 1e-3 < at_rest < high - 1e-3, "it must have stopped on its way"
    with Store.open(autocell.store) as store:
        (summary,) = store.runs()
        run = store.run(summary.id)
    assert summary.verdict is Verdict.HELD
    last = [move for move in run.moves if move.axis == "spacing"][-1]
    assert last.outcome == "stopped"
    assert last.position == pytest.approx(at_rest, abs=20e-6)
    assert (autocell.store.parent / "reports" / f"{summary.id}.html").exists()


def test_a_demo_that_is_interrupted_leaves_no_simulator_behind(autocell: CommandLine) -> None:
    process = autocell.start("demo", "--seed", 4)
    assert process.stderr is not None
    while "dark" not in (line := process.stderr.readline()):
        assert line, process.communicate()
    process.send_signal(signal.SIGINT)
    _, err = process.communicate(timeout=240)  # its pipes close only when all its children have
    assert process.returncode == 4
    assert "told to stop" in err
    assert "Traceback" not in err

"""``stop`` from another terminal, and what a killed run leaves, over real lines."""

from __future__ import annotations

import os
import shutil
import signal
import time
from pathlib import Path

import pytest

from autocell.bench.file import load, shipped
from autocell.outcome import Verdict
from autocell.records import Store
from autocell.session.claim import claim
from tests.cli.conftest import CommandLine, Served
from tests.cli.test_change import unfinished_move


def slow_bench(folder: Path) -> str:
    """A bench whose stage takes its time, so that a stop finds it on its way."""
    file = folder / "slow.yaml"
    text = shipped("peat-bog").read_text("utf-8")
    file.write_text(text.replace("speed_mm_per_s: 5", "speed_mm_per_s: 1"), "utf-8")
    shutil.copy(shipped("plain-motion"), folder / "plain-motion.yaml")
    return str(file)


def test_stop_ends_a_change_in_the_middle_of_a_move(autocell: CommandLine) -> None:
    with autocell.simulating("--seed", 5, bench=slow_bench(autocell.folder)) as bench:
        process = autocell.start("change", 62, "--bench", bench.bench_file, "--json")
        while (move := unfinished_move(autocell, least_m=5e-3)) is None:
            assert process.poll() is None, process.communicate()
            time.sleep(0.02)
        stopped = autocell("stop", "--bench", bench.bench_file)
        out, err = process.communicate(timeout=240)
        at_rest = bench.end()["positions"]["spacing"]
    assert stopped.code == 0, stopped
    assert "every axis was told to stop" in stopped.out
    assert f"process {process.pid}" in stopped.out
    assert process.returncode == 4
    assert "every axis was told to stop ('autocell stop' (process" in err
    assert '"verdict": "held"' in out
    low, high = sorted((move.start, move.target))
    assert low <= at_rest <= high
    assert abs(at_rest - move.target) > 1e-3, "it must have stopped on its way"


def test_a_bench_that_is_in_use_is_not_opened_a_second_time(served: Served) -> None:
    autocell, bench = served
    with claim(load(bench.bench_file), "change"):
        ended = autocell("status", "--bench", bench.bench_file)
    assert ended.code == 4
    assert f"'autocell change' (process {os.getpid()}" in ended.err
    assert "autocell stop" in ended.err


def test_stop_with_nothing_under_way_tells_the_axes_all_the_same(served: Served) -> None:
    autocell, bench = served
    ended = autocell("stop", "--bench", bench.bench_file)
    assert ended.code == 0
    assert "Nobody uses this bench; every axis was told to stop." in ended.out


@pytest.mark.thorough
def test_a_killed_change_is_undone_by_the_next_command_that_moves(autocell: CommandLine) -> None:
    with autocell.simulating("--seed", 5) as bench:
        process = autocell.start("change", 62, "--bench", bench.bench_file)
        while unfinished_move(autocell, least_m=5e-3) is None:
            assert process.poll() is None, process.communicate()
            time.sleep(0.02)
        process.send_signal(signal.SIGKILL)
        process.communicate()
        options = ("--from", 249, "--to", 250, "--points", 2)
        survey = autocell("survey", "--bench", bench.bench_file, *options)
        truth = bench.end()
    assert survey.code == 0, survey.err
    assert "(change to 62 passes) broke off on a move of" in survey.err
    assert "undone: every axis is where it began" in survey.err
    assert truth["passes"] == 6
    assert truth["limit_violations"] == 0
    with Store.open(autocell.store) as store:
        (_, killed) = store.runs()
    assert killed.verdict is Verdict.HELD

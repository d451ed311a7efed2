"""Rehearsals in worker processes that may die."""

from __future__ import annotations

import multiprocessing
import os
import signal
from collections.abc import Callable, Iterable
from pathlib import Path

import pytest
from autocell_simulators.rehearsal.one import Rehearsal
from autocell_simulators.rehearsal.plan import Lost, Plan
from autocell_simulators.rehearsal.processes import carry_out, cores, in_processes

Comparable = Callable[[Iterable[Rehearsal]], list[Rehearsal]]


def test_two_workers_come_to_what_one_process_does(
    plan: Plan, in_this_process: list[Rehearsal], comparable: Comparable
) -> None:
    results = in_processes(2)(plan, range(len(in_this_process)))
    assert comparable(results) == in_this_process


@pytest.mark.thorough
def test_killed_workers_cost_no_result(
    plan: Plan, in_this_process: list[Rehearsal], comparable: Comparable
) -> None:
    results = in_processes(1)(plan, range(len(in_this_process)))
    done = [next(results)]
    workers = {child.pid for child in multiprocessing.active_children()}
    for worker in workers:
        os.kill(worker, signal.SIGKILL)
    done.append(next(results))
    others = {child.pid for child in multiprocessing.active_children()}
    done += results
    assert workers
    assert others
    assert not workers & others
    assert comparable(done) == in_this_process


def test_a_bench_that_kills_its_worker_twice_is_lost_and_no_other(
    deadly: Callable[[bool], Plan], tmp_path: Path
) -> None:
    results = list(in_processes(2)(deadly(False), range(5)))
    reasons = {result.index: result.reason for result in results}
    assert len(results) == 5
    assert [result.index for result in results if isinstance(result, Lost)] == [2]
    assert "died twice" in reasons.pop(2)
    assert set(reasons.values()) == {"not rehearsed at all"}
    assert (tmp_path / "died").read_text().count("died") == 2


def test_a_bench_whose_worker_died_once_is_rehearsed_again(
    deadly: Callable[[bool], Plan],
) -> None:
    results = list(in_processes(2)(deadly(True), range(4)))
    assert sorted(result.index for result in results) == [0, 1, 2, 3]
    assert {result.reason for result in results} == {"not rehearsed at all"}


def test_what_nobody_waits_for_any_more_ends_although_it_never_would(
    endless: Plan, tmp_path: Path
) -> None:
    results = carry_out(endless, range(4), 2)
    assert {next(results).index for _ in range(3)} == {0, 1, 3}
    results.close()
    assert (tmp_path / "begun").exists()
    assert not multiprocessing.active_children()


def test_no_benches_need_no_process(plan: Plan) -> None:
    assert list(in_processes(2)(plan, ())) == []
    assert not multiprocessing.active_children()


def test_the_environment_is_left_as_it_was(
    deadly: Callable[[bool], Plan], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("OMP_NUM_THREADS", "7")
    monkeypatch.delenv("MKL_NUM_THREADS", raising=False)
    before = dict(os.environ)
    list(in_processes(1)(deadly(True), [0]))
    assert dict(os.environ) == before
    assert signal.pthread_sigmask(signal.SIG_BLOCK, ()) == set()


def test_there_is_at_least_one_core() -> None:
    assert 1 <= cores() <= (os.cpu_count() or 1)

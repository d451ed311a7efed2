"""Rehearsals on a real Dask cluster of processes on this machine."""

from __future__ import annotations

import dataclasses
import socket
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

import pytest
from autocell_simulators.rehearsal import dask_pool
from autocell_simulators.rehearsal.dask_pool import on_dask
from autocell_simulators.rehearsal.one import Rehearsal
from autocell_simulators.rehearsal.plan import Lost, Plan
from distributed import LocalCluster

from autocell.errors import UsageError

Comparable = Callable[[Iterable[Rehearsal]], list[Rehearsal]]


@pytest.fixture(scope="module")
def cluster() -> Iterator[LocalCluster]:
    with pytest.MonkeyPatch.context() as patch:
        # the workers inherit the path, to import the deadly plans
        patch.syspath_prepend(Path(__file__).parent)
        with LocalCluster(
            n_workers=2, threads_per_worker=1, processes=True, dashboard_address="127.0.0.1:0"
        ) as cluster:
            yield cluster


def test_a_cluster_comes_to_what_one_process_does(
    cluster: LocalCluster,
    plan: Plan,
    in_this_process: list[Rehearsal],
    comparable: Comparable,
) -> None:
    results = on_dask(cluster.scheduler_address)(plan, range(len(in_this_process)))
    assert comparable(results) == in_this_process


@pytest.mark.thorough
def test_a_campaign_left_early_leaves_the_cluster_free(cluster: LocalCluster, plan: Plan) -> None:
    results = on_dask(cluster.scheduler_address)(plan, range(2))
    next(results)
    results.close()
    again = on_dask(cluster.scheduler_address)(dataclasses.replace(plan, passes=27), [0])
    assert [result.index for result in again] == [0]


def test_workers_with_another_bench_file_are_refused(cluster: LocalCluster, plan: Plan) -> None:
    other = dataclasses.replace(plan.description, sha256="0" * 64)
    with pytest.raises(UsageError, match="another bench file at"):
        next(on_dask(cluster.scheduler_address)(dataclasses.replace(plan, description=other), [0]))


def test_workers_without_the_bench_file_are_refused(cluster: LocalCluster, plan: Plan) -> None:
    path = plan.description.path.with_name("nowhere.yaml")
    other = dataclasses.replace(plan.description, path=path)
    with pytest.raises(UsageError, match=r"no bench file at .*nowhere"):
        next(on_dask(cluster.scheduler_address)(dataclasses.replace(plan, description=other), [0]))


def test_an_address_where_nobody_answers_is_said_so(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(dask_pool, "_PATIENCE_S", 0.5)
    with socket.socket() as closed:
        closed.bind(("127.0.0.1", 0))
        address = f"tcp://127.0.0.1:{closed.getsockname()[1]}"
        with pytest.raises(UsageError, match="no Dask scheduler answers"):
            on_dask(address)


@pytest.mark.parametrize("address", ["pigeon://loft", "loft", "tcp://loft:top"])
def test_what_is_no_address_is_not_taken_for_one_where_nobody_answers(address: str) -> None:
    with pytest.raises(UsageError, match=f"--dask {address}: no address of a Dask scheduler"):
        on_dask(address)


def test_a_bench_whose_worker_died_is_rehearsed_by_another(
    cluster: LocalCluster, deadly: Callable[[bool], Plan]
) -> None:
    results = list(on_dask(cluster.scheduler_address)(deadly(True), range(4)))
    assert sorted(result.index for result in results) == [0, 1, 2, 3]
    assert {result.reason for result in results} == {"not rehearsed at all"}


@pytest.mark.thorough
def test_a_bench_whose_workers_all_die_is_lost_and_no_other(
    cluster: LocalCluster, deadly: Callable[[bool], Plan]
) -> None:
    results = list(on_dask(cluster.scheduler_address)(deadly(False), range(4)))
    reasons = {result.index: result.reason for result in results}
    assert len(results) == 4
    assert [result.index for result in results if isinstance(result, Lost)] == [2]
    assert "KilledWorker" in reasons.pop(2)
    assert set(reasons.values()) == {"not rehearsed at all"}

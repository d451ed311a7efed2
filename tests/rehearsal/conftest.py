"""A small campaign that was carried out once, and results made up by hand."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterable
from pathlib import Path

import pytest
from autocell_simulators.rehearsal.one import Rehearsal
from autocell_simulators.rehearsal.plan import Plan

from autocell.bench.file import load, shipped
from autocell.description import BenchDescription
from autocell.outcome import Verdict

BENCHES = 2

Make = Callable[..., Rehearsal]


@pytest.fixture(scope="session")
def description() -> BenchDescription:
    return load(shipped("peat-bog"))


@pytest.fixture(scope="session")
def plan(description: BenchDescription) -> Plan:
    return Plan(description, 26, seed=5)


@pytest.fixture(scope="session")
def in_this_process(plan: Plan) -> list[Rehearsal]:
    """What every way of carrying the campaign out must come to."""
    return in_order(plan.rehearse(index) for index in range(BENCHES))


def in_order(rehearsals: Iterable[Rehearsal]) -> list[Rehearsal]:
    """By index, without the processor time, which is the only thing that may differ."""
    return [
        dataclasses.replace(rehearsal, cpu_s=None)
        for rehearsal in sorted(rehearsals, key=lambda rehearsal: rehearsal.index)
    ]


@pytest.fixture(scope="session")
def comparable() -> Callable[[Iterable[Rehearsal]], list[Rehearsal]]:
    return in_order


@pytest.fixture
def deadly(plan: Plan, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[[bool], Plan]:
    """A plan that workers can import, since they inherit the path."""
    monkeypatch.syspath_prepend(Path(__file__).parent)
    from deadly_plan import DeadlyPlan

    return lambda only_once: DeadlyPlan(
        plan.description, plan.passes, died=tmp_path / "died", only_once=only_once
    )


@pytest.fixture
def endless(plan: Plan, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Plan:
    """A plan whose second bench never ends."""
    monkeypatch.syspath_prepend(Path(__file__).parent)
    from deadly_plan import EndlessPlan

    return EndlessPlan(plan.description, plan.passes, died=tmp_path / "begun")


@pytest.fixture
def make() -> Make:
    """A rehearsal that reached 62 passes; what is named differs."""

    def make(index: int, **different: object) -> Rehearsal:
        usual = Rehearsal(
            index=index,
            seed=1000 + index,
            verdict=Verdict.REACHED,
            reason="reached and proved",
            proved=True,
            probability=0.9999,
            passes=62,
            true_passes=62,
            readings=10,
            moves=12,
            travel_m=0.040,
            bench_time_s=20.0,
            cpu_s=1.5,
            margin_low_m=300e-6,
            margin_high_m=310e-6,
            true_margin_low_m=290e-6,
            true_margin_high_m=330e-6,
            path_length_m=14.000,
            path_length_expanded_u_m=0.010,
            true_path_length_m=14.004,
            limit_violations=0,
        )
        return dataclasses.replace(usual, **different)

    return make

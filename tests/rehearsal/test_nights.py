"""Rehearsed nights: what is drawn, how they are judged, and the file that keeps them."""

from __future__ import annotations

import dataclasses
import os
from pathlib import Path

import pytest
from autocell_simulators.bench import SimulatedBench
from autocell_simulators.faults.scenario import Scenario
from autocell_simulators.rehearsal.copies import CAN_COPY, in_a_copy
from autocell_simulators.rehearsal.night import RehearsedNight
from autocell_simulators.rehearsal.nights import NightsFile, NightsPlan, NightsSummary
from autocell_simulators.rehearsal.what_happens import DISPLACED, displace, what_happens

from autocell.bench.clock import VirtualClock
from autocell.bench.file import load, shipped
from autocell.errors import UsageError
from autocell.outcome import Verdict
from autocell.recovery import CauseName

CALM = RehearsedNight(
    0, 1, Verdict.UNCHANGED, "", wanted_passes=62, true_passes=62, light_left=1.0, laser_left=1.0
)


def test_one_night_in_ten_has_something_serious_and_all_of_it_suits_the_bench() -> None:
    drawn = [what_happens(seed, knows_laser=True) for seed in range(2000)]
    assert drawn == [what_happens(seed, knows_laser=True) for seed in range(2000)]
    serious = {fault["fault"]: fault for _, fault in drawn if fault is not None}
    count = sum(fault is not None for _, fault in drawn)
    assert 140 <= count <= 265, "five standard deviations of a binomial of 200"
    assert len(serious) == 13
    description = load(shipped("peat-bog-reference"))
    bench = SimulatedBench(description, 1, VirtualClock(), scenario=Scenario())
    bench.begin(*drawn[0][0])
    for fault in serious.values():
        bench.begin(fault)
        bench.end(fault["fault"])


def test_nights_of_serious_faults_alone_have_every_kind_in_turn() -> None:
    drawn = [what_happens(seed, True, seed)[1] for seed in range(48)]
    faults = [fault["fault"] for fault in drawn if fault is not None]
    assert len(set(faults)) == 16
    assert set(DISPLACED) < set(faults)
    assert faults[:16] == faults[16:32] == faults[32:]
    assert len({str(fault) for fault in drawn[:48:16]}) == 3, "of another size each time"
    nights = NightsPlan(load(shipped("peat-bog-reference")), 62, serious_only=True)
    assert nights.header != dataclasses.replace(nights, serious_only=False).header


def test_a_displaced_part_stands_elsewhere_in_truth_from_then_on() -> None:
    bench = SimulatedBench(
        load(shipped("peat-bog-reference")), 1, VirtualClock(), scenario=Scenario()
    )
    before = bench.truth_report()["spacing_m"]
    displace(bench, um=500.0, x_um=300.0)
    told = bench.truth_report()
    assert told["spacing_m"] - before == pytest.approx(5e-4, abs=1e-12)
    drawn, changed = told["drawn"], told["changed"]
    assert changed["beam_x_offset_m"] - drawn["beam_x_offset_m"] == pytest.approx(3e-4, abs=1e-12)
    assert "beam_y_offset_m" not in changed


@pytest.mark.parametrize(
    ("changed", "wrong"),
    [
        ({}, False),
        ({"true_passes": 56}, True),
        ({"verdict": Verdict.DEGRADED, "proved": True, "true_passes": 68}, True),
        ({"verdict": Verdict.HELD, "true_passes": 56}, False),
    ],
)
def test_what_claims_a_pass_count_that_is_not_there_is_wrong(
    changed: dict[str, object], wrong: bool
) -> None:
    assert dataclasses.replace(CALM, **changed).wrong is wrong


LASER, WINDOW = CauseName.LASER, CauseName.WINDOW


@pytest.mark.parametrize(
    ("serious", "cause", "possible", "knows_laser", "how"),
    [
        (None, None, (), True, "right"),
        (None, CauseName.KNOCK, (), True, "wrong"),
        ("knock", CauseName.KNOCK, (), True, "right"),
        ("knock", CauseName.MIRRORS, (), True, "wrong"),
        ("knock", CauseName.UNDETERMINED, (), True, "undetermined"),
        ("condensation", WINDOW, (), True, "right"),
        ("condensation", CauseName.UNDETERMINED, (LASER, WINDOW), True, "undetermined"),
        ("condensation", CauseName.UNDETERMINED, (LASER, WINDOW), False, "right"),
        ("warm-up", CauseName.UNDETERMINED, (LASER, WINDOW), False, "right"),
        ("dust", None, (), True, "undetermined"),
    ],
)
def test_a_cause_is_right_wrong_or_undetermined(
    serious: str | None,
    cause: CauseName | None,
    possible: tuple[CauseName, ...],
    knows_laser: bool,
    how: str,
) -> None:
    night = dataclasses.replace(
        CALM, serious=serious, cause=cause, possible=possible, light_left=0.8
    )
    assert night.named(knows_laser=knows_laser) == how


def test_a_serious_fault_that_cost_no_light_needs_no_name() -> None:
    assert dataclasses.replace(CALM, serious="dust").named(knows_laser=True) == "right"


def test_nights_are_counted_by_the_truth() -> None:
    nights = [
        CALM,
        dataclasses.replace(CALM, index=1, moves=4, verdict=Verdict.RECOVERED),
        dataclasses.replace(CALM, index=2, serious="knock", light_left=0.6, proved=True,
                            verdict=Verdict.RECOVERED, cause=CauseName.KNOCK),
        dataclasses.replace(CALM, index=3, verdict=Verdict.FAILED, limit_violations=1),
    ]  # fmt: skip
    summary = NightsSummary.of(nights, knows_laser=True)
    assert (summary.nights, summary.serious, summary.drift_only) == (4, 1, 3)
    assert summary.proved_or_held == 3
    assert summary.drift_set_right == 2
    assert summary.needed_nothing == 3
    assert summary.moves_for_nothing == (1,)
    assert summary.limit_violations == 1
    assert summary.by_fault == {"knock": {"recovered": 1, "cause right": 1}}
    assert summary.names == {"knock": {"knock": 1}}
    assert dict(summary.rows)["knock"] == "cause right 1, recovered 1; named: knock 1"
    assert "1 (number 1)" in dict(summary.rows)["Needed nothing"]


def test_a_file_goes_on_where_it_was_and_forgets_a_torn_line(tmp_path: Path) -> None:
    work = NightsPlan(load(shipped("peat-bog")), 62, 3)
    path = tmp_path / "nights.jsonl"
    file = NightsFile(path, work)
    file.append(CALM)
    with path.open("ab") as torn:
        torn.write(b'{"index": 1, "se')
    again = NightsFile(path, work)
    assert again.results == {0: CALM}
    again.append(dataclasses.replace(CALM, index=1))
    assert set(NightsFile(path, work).results) == {0, 1}
    with pytest.raises(UsageError, match="not of these nights"):
        NightsFile(path, dataclasses.replace(work, seed=4))


@pytest.mark.thorough
def test_a_whole_night_is_rehearsed_and_repeats() -> None:
    nights = NightsPlan(load(shipped("peat-bog-reference")), 62, seed=7)
    night = nights.night(0)
    assert night.verdict is not Verdict.FAILED, night.reason
    assert not night.wrong
    assert nights.rehearse(0) == [night]


@pytest.mark.thorough
def test_a_launch_that_crept_to_the_edge_and_lost_nothing_yet_leads_to_no_other_pattern() -> None:
    """Once 62 passes were proved there on a plateau of 68."""
    nights = NightsPlan(load(shipped("peat-bog-reference")), 62, 20261207, 16, serious_only=True)
    night = nights.night(31)
    assert night.serious == "crept-launch"
    assert night.light_left is not None
    assert night.light_left > 0.98
    assert night.set_right, night.reason
    assert not night.wrong


@pytest.mark.thorough
@pytest.mark.skipif(not CAN_COPY, reason="this system cannot copy a process")
def test_nights_that_share_an_evening_know_nothing_of_each_other() -> None:
    nights = NightsPlan(load(shipped("peat-bog-reference")), 62, seed=7, per_bench=3)
    together = nights.rehearse(1)
    assert [night.index for night in together] == [3, 4, 5]
    assert len({night.seed for night in together}) == 1, "they share a bench"
    assert len({night.light_left for night in together}) == 3, "and not what happens to it"
    assert nights.night(5) == together[2]


@pytest.mark.skipif(not CAN_COPY, reason="this system cannot copy a process")
def test_what_a_copy_changes_is_changed_nowhere_else() -> None:
    mine = [1]

    def change() -> bytes:
        mine.append(2)
        return bytes(mine)

    assert in_a_copy(change) == b"\x01\x02"
    assert mine == [1]


@pytest.mark.skipif(not CAN_COPY, reason="this system cannot copy a process")
def test_a_copy_that_dies_says_nothing() -> None:
    assert in_a_copy(lambda: os._exit(3)) == b""

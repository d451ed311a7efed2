"""The campaign in which each fault strikes alone."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Callable
from pathlib import Path

import pytest
from autocell_simulators.faults.alone import PAIRS
from autocell_simulators.faults.catalogue import FAULTS
from autocell_simulators.faults.scenario import Scenario, entry
from autocell_simulators.rehearsal.copies import CAN_COPY
from autocell_simulators.rehearsal.every_fault import (
    HEAD,
    NOTHING,
    endings,
    named_by_serial_number,
    one_by_one,
    plans,
    row,
)
from autocell_simulators.rehearsal.one import Rehearsal, Struck
from autocell_simulators.rehearsal.plan import Plan
from autocell_simulators.rehearsal.summary import Fate, fate

from autocell.bench.file import load, shipped
from autocell.description import BenchDescription
from autocell.outcome import Verdict
from autocell.procedures.progress import Progress

Make = Callable[..., Rehearsal]

_READING_S = 0.5
"""So long before a reading is complete it has begun."""


@pytest.fixture
def every(description: BenchDescription, tmp_path: Path) -> dict[str, Plan]:
    return plans(named_by_serial_number(description), 62, 5, tmp_path / "runs.sqlite")


def test_every_fault_has_its_row_in_the_order_of_the_document(every: dict[str, Plan]) -> None:
    assert set(every) == {NOTHING, *FAULTS, *PAIRS}
    numbers = [FAULTS[name].rows for name in every if name in FAULTS]
    assert numbers == sorted(numbers)


def test_a_row_counts_ends_and_compares_times_with_the_same_bench_undisturbed(
    every: dict[str, Plan], make: Make
) -> None:
    knock = (Struck("knock", 1),)
    done = [
        make(0, bench_time_s=30.0, struck=knock),
        make(1, bench_time_s=50.0, struck=knock),
        make(2, true_passes=56, struck=knock),
        make(3, verdict=Verdict.HELD, proved=False, passes=None, reason="a knock",
             limit_violations=1, bench_time_s=1e5),
    ]  # fmt: skip
    undisturbed = {0: make(0, bench_time_s=20.0), 1: make(1, bench_time_s=20.0)}
    cells = [cell.strip() for cell in row("knock", every["knock"], done, undisturbed).split("|")]
    assert cells[1:-1] == ["32", "`knock`", "3 of 4", "2", "1", "0", "1", "1", "1", "2.00"]
    assert len(cells) == len(HEAD[0].split("|"))
    told = list(endings(every["knock"], done))
    assert [line.split(":")[0].strip() for line in told] == ["2", "3"]
    assert told[1].endswith("a knock")


def test_a_change_that_computes_for_ever_is_broken_off(
    monkeypatch: pytest.MonkeyPatch, every: dict[str, Plan]
) -> None:
    monkeypatch.setattr("autocell_simulators.rehearsal.every_fault._HANGS_CPU_S", 0.2)

    def for_ever(*_arguments: object, **_options: object) -> None:
        while True:
            pass

    monkeypatch.setattr("autocell_simulators.rehearsal.one.change_passes", for_ever)
    (rehearsal,) = one_by_one(dataclasses.replace(every[NOTHING]), [0])
    assert rehearsal.verdict is Verdict.FAILED
    assert "still computing" in rehearsal.reason
    assert row(NOTHING, every[NOTHING], [rehearsal], {}).split("|")[-3].strip() == "1"


@pytest.mark.thorough
@pytest.mark.skipif(not CAN_COPY, reason="this system cannot copy a process")
def test_a_full_disk_ends_a_change_with_its_reason_and_leaves_this_process_its_own(
    every: dict[str, Plan], tmp_path: Path
) -> None:
    (rehearsal,) = one_by_one(every["full-disk"], [0])
    assert rehearsal.verdict is Verdict.FAILED
    assert "check the disk and its free space" in rehearsal.reason
    assert rehearsal.struck == (Struck("full-disk", 1),)
    assert rehearsal.limit_violations == 0
    (tmp_path / "large").write_bytes(bytes(10**7))


def test_a_laser_that_jumps_on_the_way_costs_some_readings_and_not_the_pattern() -> None:
    bench = named_by_serial_number(load(shipped("peat-bog")))
    jumps = plans(bench, 38, 20261125, Path("runs.sqlite"))["mode-hop"]
    told: list[str] = []
    for index in (2, 3, 4, 9):
        rehearsal = jumps.rehearse(index, lambda step: told.append(step.text))
        assert rehearsal.struck == (Struck("mode-hop", 1),)
        assert fate(rehearsal, 38) is Fate.REACHED_TRUE
    # on some of them only once all readings before the jump are left out
    assert any(text.startswith("the light has changed: the first ") for text in told)


@pytest.mark.thorough
@pytest.mark.parametrize("index", [0, 3, 9, 11])
def test_a_mirror_that_slips_as_the_height_is_read_is_no_wrong_proof(index: int) -> None:
    bench = named_by_serial_number(load(shipped("peat-bog")))
    every = plans(bench, 38, 20261125, Path("runs.sqlite"))
    read_s: list[float] = []

    def listen(step: Progress) -> None:
        if step.stage == "prove" and step.reading is not None:
            read_s.append(step.elapsed_s)

    every[NOTHING].rehearse(index, listen)
    as_it_is_read = entry({"fault": "early-exit", "when": {"at_s": read_s[0] - _READING_S}})
    slips = dataclasses.replace(every[NOTHING], scenario=Scenario(entries=[as_it_is_read]))
    rehearsal = slips.rehearse(index)
    assert rehearsal.struck == (Struck("early-exit", 1),)
    if fate(rehearsal, 38) is not Fate.REACHED_TRUE:
        assert rehearsal.verdict is Verdict.HELD, rehearsal.reason
        assert re.search(r"contradicting|caps\.travel_mm", rehearsal.reason), rehearsal.reason
        assert rehearsal.true_passes == 6, "back at its start"


@pytest.mark.thorough
def test_a_move_that_flipped_bits_sent_beyond_the_travel_is_sent_again_and_not_blamed() -> None:
    bench = named_by_serial_number(load(shipped("peat-bog")))
    garbled = plans(bench, 38, 20261125, Path("runs.sqlite"))["garbled-command"]
    rehearsal = garbled.rehearse(9)
    assert fate(rehearsal, 38) is Fate.REACHED_TRUE
    assert rehearsal.limit_violations == 0

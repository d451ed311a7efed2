"""The survey on a simulated bench, on a virtual clock."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace

import pytest
from autocell_simulators.bench import SimulatedBench
from autocell_simulators.faults.scenario import Scenario
from autocell_simulators.inprocess import connector

from autocell.bench.bench import Bench
from autocell.bench.clock import VirtualClock
from autocell.bench.file import load, shipped
from autocell.bench.opening import open_bench
from autocell.description import BenchDescription
from autocell.errors import UsageError
from autocell.outcome import Verdict
from autocell.patterns import spacing_reach
from autocell.procedures.survey import plan_survey, survey, survey_spacings

PEAT_BOG = load(shipped("peat-bog"))


@contextmanager
def opened(
    seed: int, description: BenchDescription = PEAT_BOG, scenario: Scenario | None = None
) -> Iterator[tuple[Bench, SimulatedBench]]:
    clock = VirtualClock()
    simulated = SimulatedBench(PEAT_BOG, seed, clock, scenario=scenario)
    with open_bench(description, clock=clock, connect=connector(simulated)) as bench:
        yield bench, simulated


@pytest.mark.parametrize("seed", [0, 1])
def test_a_survey_reads_the_true_staircase_and_goes_back(seed: int) -> None:
    with opened(seed) as (bench, simulated):
        spacings = survey_spacings(PEAT_BOG, None, None, 25)
        planned = plan_survey(bench, spacings)
        made = survey(bench, spacings)
        truth = simulated.truth_report()
        positions = simulated.true_positions()
        assert bench.setting.spacing_m == pytest.approx(0.250, abs=5e-6)
    outcome = made.outcome
    assert outcome.verdict is Verdict.UNCHANGED
    assert outcome.proof is None
    assert outcome.passes == truth["passes"] == 6
    assert outcome.moves == truth["moves"] == sum(len(move.legs) for move in planned)
    assert outcome.travel_m == pytest.approx(sum(move.travel for move in planned), rel=1e-4)
    assert truth["limit_violations"] == 0

    stage = positions["spacing"]
    sure = [step for step in made.steps if step.probability > 0.99]
    assert len(sure) >= 20
    right = 0
    for step in sure:
        shift_m = step.reading.setting.spacing_m - 0.250
        there = simulated.optics.exit({**positions, "spacing": stage + shift_m})
        right += int(there.passes) == step.passes
    # where two pass counts share the light, which of them has more is a close call
    assert right >= len(sure) - 2


def test_a_cap_ends_a_survey_early_and_back_at_the_start() -> None:
    capped = replace(PEAT_BOG, caps=replace(PEAT_BOG.caps, readings=6))
    with opened(2, capped) as (bench, _):
        made = survey(bench, survey_spacings(capped, 0.240, 0.250, 9))
        assert bench.setting.spacing_m == pytest.approx(0.250, abs=5e-6)
    assert made.outcome.verdict is Verdict.HELD
    assert "caps.readings" in made.outcome.reason
    assert "back at the start" in made.outcome.reason
    assert len(made.steps) == 5  # and the dark level


@pytest.mark.parametrize(("device", "at_s"), [("motion", 6.0), ("meter", 6.0)])
def test_a_survey_whose_instrument_is_silent_for_a_while_ends_at_its_start(
    device: str, at_s: float
) -> None:
    with opened(2, scenario=Scenario()) as (bench, simulated):
        bench.vouch_for(PEAT_BOG.axes)
        start = bench.positions()
        simulated.begin(
            {"fault": "silent", "device": device, "for_s": 20.0, "when": {"at_s": at_s}}
        )
        made = survey(bench, survey_spacings(PEAT_BOG, 0.240, 0.250, 9))
        assert bench.positions() == pytest.approx(start, abs=5e-6)
    assert made.outcome.verdict is Verdict.FAILED
    assert made.outcome.moves > 0
    assert made.outcome.wanted_passes is None
    assert "no reply" in made.outcome.reason
    assert "; back at the start, reading" in made.outcome.reason


def test_the_reach_of_a_survey_leaves_room_for_the_approach() -> None:
    low, high = spacing_reach(PEAT_BOG)
    axis = PEAT_BOG.axes["spacing"]
    assert low == pytest.approx(0.210 + axis.overshoot + axis.repeatability)
    assert high == pytest.approx(0.260 - axis.repeatability)
    spacings = survey_spacings(PEAT_BOG, None, None, 11)
    assert (spacings[0], spacings[-1]) == (low, high)
    with opened(3) as (bench, _):
        for spacing in spacings:
            bench.plan(bench.setting.at_spacing(spacing))


@pytest.mark.parametrize(
    ("low_m", "high_m", "points", "told"),
    [
        (0.240, 0.230, 5, "smaller first"),
        (0.240, 0.240, 5, "empty"),
        (0.200, 0.240, 5, "210"),
        (0.230, 0.261, 5, "259"),
        (None, None, 1, "at least 2"),
    ],
)
def test_a_range_that_cannot_be_surveyed_is_refused(
    low_m: float | None, high_m: float | None, points: int, told: str
) -> None:
    with pytest.raises(UsageError, match=told):
        survey_spacings(PEAT_BOG, low_m, high_m, points)

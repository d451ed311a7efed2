"""Readings that settle nothing end a procedure as a cap does, and are not called one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from autocell_simulators.bench import SimulatedBench
from autocell_simulators.inprocess import connector

from autocell.bench.clock import VirtualClock
from autocell.bench.opening import open_bench
from autocell.errors import BudgetError, Undecided
from autocell.outcome import Verdict
from autocell.procedures.survey import survey
from autocell.session.conduct import outcome_of

from .conftest import PEAT_BOG, Start


def test_readings_that_contradict_the_bench_file_for_good_are_no_cap(start: Start) -> None:
    tuning, _ = start()
    tuning.belief.surprises = 4
    with pytest.raises(Undecided, match="one of its values or tolerances is wrong") as told:
        tuning.read_at(tuning.bench.setting, "survey", "reading where the bench stands")
    assert not isinstance(told.value, BudgetError)
    assert outcome_of(told.value).verdict is Verdict.HELD


def test_a_survey_of_another_bench_than_that_of_the_file_is_held_and_says_so() -> None:
    clock = VirtualClock()
    dimmer = replace(PEAT_BOG, laser=replace(PEAT_BOG.laser, power_w=0.002))
    simulated = SimulatedBench(dimmer, 3, clock)
    with open_bench(PEAT_BOG, clock=clock, connect=connector(simulated)) as bench:
        bench.vouch_for(PEAT_BOG.axes)
        middle_m = bench.setting.spacing_m
        spacings_m = list(np.linspace(middle_m - 5e-3, middle_m + 5e-3, 12))
        outcome = survey(bench, spacings_m).outcome
    assert outcome.verdict is Verdict.HELD
    assert "the readings keep contradicting every bench" in outcome.reason

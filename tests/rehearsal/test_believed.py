"""Benches drawn from what a run learned."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from autocell_simulators.rehearsal.believed import believed
from autocell_simulators.rehearsal.one import Rehearsal
from autocell_simulators.rehearsal.page import render
from autocell_simulators.rehearsal.plan import Plan
from autocell_simulators.rehearsal.summary import summarise
from autocell_simulators.truth import draw_truth

from autocell.belief.findings import learned
from autocell.belief.model import BenchModel
from autocell.bench.file import load, shipped
from autocell.cli.rehearse import command
from autocell.outcome import Verdict

PEAT_BOG = load(shipped("peat-bog"))
MODEL = BenchModel(PEAT_BOG, max_passes=112)
NARROW = learned(MODEL, np.random.default_rng(0).normal(0.3, 1e-3, (400, len(MODEL.prior.names))))
"""All unknowns at 0.3 tolerances, to a thousandth of one."""


def test_what_the_belief_knows_is_drawn_from_it() -> None:
    truth = believed(PEAT_BOG, draw_truth(PEAT_BOG, 7), NARROW)
    assert truth.spacing_offset_m == pytest.approx(0.3e-3, abs=5e-6)
    assert truth.beam_slope_x_offset == pytest.approx(0.3e-3, abs=5e-6)
    assert truth.far_radius_x_m == pytest.approx(0.5 + 0.3 * 0.002, abs=1e-5)
    mirrors = np.sqrt(truth.entrance_reflectivity * truth.far_reflectivity)
    assert mirrors == pytest.approx(0.985 + 0.3 * 0.003, abs=2e-5)
    assert np.log(truth.gain) == pytest.approx(0.3 * np.log(1.05), abs=1e-3)
    assert truth.axis_gain["pitch"] == pytest.approx(1.0 + 0.3 * 0.005, abs=3e-5)
    assert truth.axis_coupling["pitch"]["yaw"] == pytest.approx(0.3 * 0.03, abs=2e-4)


def test_what_no_belief_knows_stays_as_it_was_drawn() -> None:
    drawn = draw_truth(PEAT_BOG, 7)
    truth = believed(PEAT_BOG, drawn, NARROW)
    assert truth.fringe == drawn.fringe
    assert truth.stage_pitch_line_rad == drawn.stage_pitch_line_rad
    assert truth.backlash == drawn.backlash
    before = drawn.far_radius_y_m / drawn.far_radius_x_m
    assert truth.far_radius_y_m / truth.far_radius_x_m == pytest.approx(before)


def test_each_seed_draws_its_own_bench_and_always_the_same() -> None:
    one, same, other = (
        believed(PEAT_BOG, draw_truth(PEAT_BOG, seed), NARROW).spacing_offset_m
        for seed in (7, 7, 8)
    )
    assert one == same != other


def test_a_campaign_says_and_repeats_which_run_it_was_drawn_from() -> None:
    plan = Plan(PEAT_BOG, 26, seed=5, learned=NARROW, learned_by="20260101-2300-01")
    again = command(plan, Path("my runs.sqlite"))
    assert again.endswith("--from-belief 20260101-2300-01 --store 'my runs.sqlite'")
    lost = [Rehearsal(0, 1, Verdict.FAILED, "gone")]
    page = render(plan, lost, summarise(lost, 26), [again])
    assert "what run 20260101-2300-01 learned of the bench" in page
    assert "tolerances in the bench file" not in page

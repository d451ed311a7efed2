"""Change the pass count with nobody helping, and hold what is claimed against the truth.

The simulated bench has effects that the belief knows nothing of: mirrors a little toroidal, a
stage that tilts, fringes, coupling, backlash. Its truth is asked only after the outcome.
"""

from __future__ import annotations

import dataclasses

import pytest
from autocell_simulators.bench import SimulatedBench
from autocell_simulators.rehearsal.plan import Plan

from autocell.bench.file import load, shipped
from autocell.errors import NoSuchPattern
from autocell.outcome import Verdict
from autocell.procedures.progress import Progress

from .conftest import Change


@pytest.mark.parametrize(
    ("passes", "seed"),
    [
        (26, 103),
        (38, 111),
        (50, 107),
        (62, 1),
        (62, 6),  # two opinions about the low edge until late
        (80, 101),  # a dissenting half per cent of the belief until late
        (80, 113),  # the last doubt is read far from the plateau: the bench must come back
    ],
)
def test_the_wanted_passes_are_reached_proved_and_true(
    change: Change, passes: int, seed: int
) -> None:
    ended = change(passes, seed)
    outcome, truth = ended.outcome, ended.truth
    assert outcome.verdict is Verdict.REACHED, outcome.reason
    assert truth["passes"] == passes
    assert outcome.proof is not None
    assert outcome.proof.proved
    assert all(piece.holds for piece in outcome.proof.evidence)
    assert truth["limit_violations"] == 0

    # margins: what the tool says and what the true optics give, to a few hundredths of a mm
    assert outcome.margin_low_m == pytest.approx(truth["margin_low_m"], abs=5e-5)
    assert outcome.margin_high_m == pytest.approx(truth["margin_high_m"], abs=5e-5)
    assert min(truth["margin_low_m"], truth["margin_high_m"]) > 0.2 * (
        truth["margin_low_m"] + truth["margin_high_m"]
    )
    # three standard uncertainties of the path length
    assert outcome.path_length is not None
    error_m = outcome.path_length.value_m - truth["path_length_m"]
    assert abs(error_m) < 1.5 * outcome.path_length.expanded_u_m
    assert outcome.throughput == pytest.approx(outcome.expected_throughput, rel=0.03)
    assert outcome.readings <= 20


def test_light_that_the_model_misses_is_not_taken_for_a_bench_that_has_changed() -> None:
    """Its plateau is 0.7 % brighter than the belief has it, by every reading: the edges were looked
    for four times, readings left out as of another bench, and the change was held."""
    ended = Plan(load(shipped("peat-bog")), 62, 20261203).rehearse(156)
    assert ended.verdict is Verdict.REACHED
    assert ended.true_passes == 62
    assert ended.readings is not None
    assert ended.readings <= 13


def test_the_way_back_to_six_passes_is_a_change_like_any_other(change: Change) -> None:
    ended = change(6, 5)
    assert ended.outcome.verdict is Verdict.REACHED, ended.outcome.reason
    assert ended.truth["passes"] == 6


def test_progress_tells_readings_and_the_best_guess_of_the_passes(change: Change) -> None:
    told: list[Progress] = []
    ended = change(38, 2, listener=told.append)
    readings = [step for step in told if step.reading is not None]
    assert readings[0].passes == 6  # the six-pass setting it starts from
    assert readings[-1].passes == 38
    assert (readings[-1].probability or 0.0) > 0.99
    assert readings[-1].readings == ended.outcome.readings
    assert {"survey", "approach", "low edge", "high edge", "prove"} <= {s.stage for s in told}


def test_nothing_of_the_run_depends_on_anything_but_its_seeds(change: Change) -> None:
    assert change(26, 9).outcome == change(26, 9).outcome


@pytest.mark.parametrize("seed", [0, 6])
def test_a_bench_three_times_outside_its_tolerances_is_never_proved_wrongly(
    change: Change, seed: int
) -> None:
    ended = change(62, seed, scale=3.0)
    if ended.outcome.verdict is Verdict.REACHED:
        assert ended.truth["passes"] == 62
    else:
        assert ended.outcome.verdict is Verdict.HELD
        assert ended.truth["passes"] == 6  # back at the start
        assert ended.outcome.reason


def test_without_light_it_holds_at_once_and_says_so(change: Change) -> None:
    def laser_off(bench: SimulatedBench) -> None:
        bench.laser_on = False

    ended = change(62, 3, spoil=laser_off)
    assert ended.outcome.verdict is Verdict.HELD
    assert "no light where the bench stands" in ended.outcome.reason
    assert ended.outcome.moves == 0
    assert ended.outcome.readings <= 3


def test_a_cap_on_readings_ends_held_back_at_the_start(change: Change) -> None:
    bench = load(shipped("peat-bog.yaml"))
    tight = dataclasses.replace(bench, caps=dataclasses.replace(bench.caps, readings=6))
    ended = change(62, 3, bench=tight)
    assert ended.outcome.verdict is Verdict.HELD
    assert ended.outcome.start is not None
    assert ended.outcome.setting is not None
    assert ended.outcome.setting.spacing_m == pytest.approx(ended.outcome.start.spacing_m, abs=5e-6)
    assert ended.truth["passes"] == 6


def test_passes_that_no_setting_gives_are_refused_with_the_nearest_that_can(
    change: Change,
) -> None:
    with pytest.raises(NoSuchPattern, match=r"Nearest that can: .*58.*62"):
        change(60, 1)

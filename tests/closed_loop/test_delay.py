"""A bench with a delay meter: a second opinion on the pass count."""

from __future__ import annotations

import dataclasses

import pytest
from autocell_simulators.bench import SimulatedBench

from autocell.bench.file import load, shipped
from autocell.outcome import Verdict

from .conftest import Change

WITH_DELAY = load(shipped("peat-bog-delay"))


@pytest.mark.parametrize(("passes", "seed"), [(62, 1), (38, 111)])
def test_a_true_delay_is_in_the_proof_and_agrees(change: Change, passes: int, seed: int) -> None:
    ended = change(passes, seed, bench=WITH_DELAY)
    assert ended.outcome.verdict is Verdict.REACHED, ended.outcome.reason
    assert ended.truth["passes"] == passes
    assert ended.outcome.proof is not None
    (delay,) = [piece for piece in ended.outcome.proof.evidence if "delay" in piece.statement]
    assert delay.holds
    assert delay.statement.startswith("delay at 80 MHz: from 6 passes at the start")
    assert f"{passes - 6}, " in delay.statement.partition("it speaks against ")[2]
    assert ended.outcome.readings <= 22


def test_a_delay_that_contradicts_keeps_the_run_from_claiming_anything(change: Change) -> None:
    """The detector turns the phase as the light grows weaker, far more than the bench file says."""

    def spoil(bench: SimulatedBench) -> None:
        assert bench.delay_meter is not None
        traits = dataclasses.replace(bench.delay_meter.traits, level_rad=2.0)
        bench.delay_meter.traits = traits

    ended = change(62, 1, bench=WITH_DELAY, spoil=spoil)
    assert ended.outcome.verdict is Verdict.HELD
    assert "not proved: delay at 80 MHz" in ended.outcome.reason
    assert "which does not agree" in ended.outcome.reason
    assert ended.truth["passes"] == 6  # back at the start
    assert ended.outcome.proof is not None
    assert not ended.outcome.proof.proved


def test_a_delay_meter_that_sees_nothing_changes_nothing(change: Change) -> None:
    def spoil(bench: SimulatedBench) -> None:
        assert bench.delay_meter is not None
        bench.delay_meter.traits = dataclasses.replace(bench.delay_meter.traits, least_w=1.0)

    ended = change(38, 111, bench=WITH_DELAY, spoil=spoil)
    assert ended.outcome.verdict is Verdict.REACHED
    assert ended.outcome.proof is not None
    assert len(ended.outcome.proof.evidence) == 6
    assert not any("delay" in piece.statement for piece in ended.outcome.proof.evidence)

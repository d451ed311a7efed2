"""What a recovery undoes on a bench whose steering axes count unequal steps."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from autocell.description import BenchDescription
from autocell.outcome import Verdict
from autocell.procedures.light_search import Light
from autocell.procedures.progress import nobody
from autocell.procedures.recovery.recover import recover
from autocell.procedures.recovery.reference import ReferenceSetting
from autocell.procedures.recovery.under_way import RecoveryUnderWay
from autocell.procedures.recovery.undoing import go_back
from tests.motion.stepping import drives, opened, stepping


@pytest.mark.parametrize(("kept", "told"), [
    (False, "back at the start"), (True, "back at the place of the last accepted step"),
])  # fmt: skip
def test_the_place_that_is_gone_back_to_by_its_light_is_named(
    kept: bool, told: str, watched: BenchDescription, reference: ReferenceSetting
) -> None:
    with opened(drives(), stepping(watched), seed=1) as standing:
        bench = standing.bench
        recovery = RecoveryUnderWay(bench, reference, nobody, np.random.default_rng(0))
        if kept:
            recovery.here = bench.move_axes({"vertical": 2e-4}, "as an accepted step does")
        recovery.light = Light.of(bench.read_power("where it belongs"))
        bench.move_axes({"pitch": bench.positions()["pitch"] + 2e-4}, "as a step does")
        back = go_back(recovery, "it was not enough")
    assert back is not None
    assert back.words.startswith(told)


@pytest.mark.thorough
def test_steps_that_led_nowhere_are_undone_by_the_light(
    watched: BenchDescription, reference: ReferenceSetting
) -> None:
    limits = watched.recovery
    poor = dataclasses.replace(limits, step=dataclasses.replace(limits.step, readings=1))
    bench = dataclasses.replace(stepping(watched), recovery=poor)
    with opened(drives(), bench, seed=1) as standing:
        light = standing.light()
        outcome = recover(standing.bench, reference)
        assert outcome.verdict is Verdict.HELD
        assert outcome.recovery is not None
        assert any(step.undone and step.moves for step in outcome.recovery.steps)
        assert standing.light() == pytest.approx(light, rel=0.015)
        assert standing.truth()["limit_violations"] == 0

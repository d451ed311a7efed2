"""What a recovery undoes on a bench whose steering axes count unequal steps."""

from __future__ import annotations

import dataclasses

import pytest

from autocell.description import BenchDescription
from autocell.outcome import Verdict
from autocell.procedures.recovery.recover import recover
from autocell.procedures.recovery.reference import ReferenceSetting
from tests.motion.stepping import drives, opened, stepping


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

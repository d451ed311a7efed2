"""Changes with steering axes that count unequal steps: reached and true, or back at the light."""

from __future__ import annotations

import dataclasses

import pytest

from autocell.outcome import Verdict
from autocell.procedures.change import change_passes
from tests.motion.stepping import Stepping, drives, opened, stepping

FAULTS = [
    f"{{fault: {fault}, axis: {axis}}}"
    for fault in ("step-scatter", "dead-steps")
    for axis in ("pitch", "yaw")
]


def held_early(standing: Stepping) -> str:
    """Why a change to 26 passes was held that had readings for its beginning only."""
    outcome = change_passes(standing.bench, 26)
    assert outcome.verdict is Verdict.HELD, outcome.reason
    return outcome.reason


@pytest.mark.thorough
def test_unequal_steps_reach_the_wanted_passes_and_say_how_surely_they_stand() -> None:
    with opened(drives(faults=FAULTS), share=None) as standing:
        outcome = change_passes(standing.bench, 26)
        assert outcome.verdict is Verdict.REACHED, outcome.reason
        assert standing.truth()["passes"] == outcome.passes == 26
        believed, doubt = standing.bench.positions(), standing.bench.open_loop.u
        true = standing.simulated.true_positions()
        assert max(abs(true[name] - believed[name]) for name in doubt) > 1e-3
        for name, u in doubt.items():
            assert abs(true[name] - believed[name]) < 2.5 * u + 5e-5
        assert standing.truth()["limit_violations"] == 0


@pytest.mark.thorough
def test_a_change_that_is_held_ends_in_the_light_in_which_it_began() -> None:
    described = stepping()
    few = dataclasses.replace(described, caps=dataclasses.replace(described.caps, readings=5))
    with opened(drives(faults=FAULTS), few) as standing:
        light = standing.light()
        reason = held_early(standing)
        assert "back at the start by its light" in reason
        assert standing.light() == pytest.approx(light, rel=0.015)
        assert standing.off() < 0.3e-3
    undeclared = dataclasses.replace(few, axes=stepping(steps=None).axes)
    with opened(drives(faults=FAULTS), undeclared) as standing:
        held_early(standing)
        assert standing.off() > 1e-3
        assert standing.light() != pytest.approx(light, rel=0.1)

"""What steps backward do beside those forward, learned from the light."""

from __future__ import annotations

import pytest

from autocell.outcome import Verdict
from autocell.procedures.positioning.check import MotionChecked, check_motion, open_loop_axes
from autocell.procedures.positioning.steps import StepsLearned
from tests.motion.stepping import STEPS, Stepping, drives, opened

FAULTS = [
    f"{{fault: {fault}, axis: {axis}}}"
    for fault in ("step-scatter", "dead-steps")
    for axis in ("pitch", "yaw")
]


def checked(standing: Stepping) -> tuple[MotionChecked, dict[str, StepsLearned]]:
    found = check_motion(standing.bench, ("pitch", "yaw"))
    return found, {steps.axis.name: steps for steps in found.steps}


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize(("pitch", "yaw"), [(20.0, 20.0), (28.0, 5.0)])
def test_at_the_edge_of_the_light_the_true_ratio_is_found(
    pitch: float, yaw: float, seed: int
) -> None:
    with opened(drives(pitch=pitch, yaw=yaw, faults=FAULTS), seed=seed) as standing:
        found, steps = checked(standing)
        assert found.outcome.verdict is Verdict.UNCHANGED, found.outcome.reason
        for name, percent in (("pitch", pitch), ("yaw", yaw)):
            backward, u = steps[name].backward, steps[name].backward_u
            assert backward is not None
            assert abs(backward - (1.0 - 0.01 * percent)) < 3.0 * u
            assert u < 0.02 < STEPS.backward_u
            assert standing.bench.open_loop.steps(name).backward == backward
        assert standing.truth()["limit_violations"] == 0


def test_what_is_learned_brings_the_next_way_back_home() -> None:
    with opened(drives()) as standing:
        checked(standing)
        bench = standing.bench
        home, before = bench.positions(), standing.simulated.true_positions()
        bench.move_axes({"pitch": home["pitch"] - 6e-3}, "away")
        bench.move_axes({"pitch": home["pitch"]}, "and back")
        now = standing.simulated.true_positions()
        # twenty percent of six mrad are 1.2 without it
        assert abs(now["pitch"] - before["pitch"]) < 0.12e-3


def test_where_the_light_is_flat_nothing_is_learned() -> None:
    with opened(drives(), share=None) as standing:
        found, steps = checked(standing)
        assert found.outcome.verdict is Verdict.UNCHANGED
        assert steps["pitch"].backward is None
        assert "the light changes too little along pitch" in steps["pitch"].finding
        assert standing.bench.open_loop.steps("pitch") == STEPS


def test_in_the_dark_no_steps_are_sent() -> None:
    with opened(drives(), share=None) as standing:
        standing.simulated.laser_on = False
        found, _ = checked(standing)
        assert found.outcome.verdict is Verdict.HELD
        assert "there is no light to see them by" in found.outcome.reason


def test_of_all_axes_those_that_count_steps_are_left_to_the_light() -> None:
    with opened(drives(), share=None) as standing:
        assert open_loop_axes(standing.bench) == ["pitch", "yaw"]
        assert open_loop_axes(standing.bench, ["spacing", "yaw"]) == ["yaw"]

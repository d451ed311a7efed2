"""What steps backward do beside those forward, learned from the light."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from autocell.bench.bench import Bench
from autocell.cli.check_motion import keep_measured
from autocell.cli.invocation import Invocation
from autocell.outcome import Outcome, Verdict
from autocell.procedures.positioning.check import MotionChecked, check_motion
from autocell.procedures.positioning.steps import StepsLearned, learn_steps
from autocell.procedures.positioning.traverse import open_loop_axes
from autocell.records import Store
from tests.motion.stepping import STEPS, Stepping, drives, opened, stepping, to_the_edge
from tests.session.conftest import Laboratory

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


def at_way(number: int, standing: Stepping, fault: dict[str, Any]) -> Callable[[str], None]:
    """What to tell of learning, so that this goes wrong from one way there and back on."""
    told: list[str] = []

    def tell(text: str) -> None:
        told.append(text)
        if len(told) == number:
            standing.simulated.begin(fault)

    return tell


@pytest.mark.parametrize("percent", [10.0, 30.0])
def test_a_laser_that_steps_meanwhile_teaches_no_ratio_of_steps(percent: float) -> None:
    with opened(drives()) as standing:
        bench, jump = standing.bench, {"fault": "mode-hop", "percent": percent}
        learned = learn_steps(bench, "pitch", at_way(2, standing, jump))
        assert learned.backward is None
        assert "contradicts itself" in learned.finding
        assert (bench.open_loop.steps("pitch"), bench.lost()) == (STEPS, {})


def test_a_ratio_beyond_what_the_bench_file_allows_is_not_believed() -> None:
    with opened(drives(pitch=45.0)) as standing:
        bench = standing.bench
        learned = learn_steps(bench, "pitch", lambda _text: None)
        assert learned.backward is None
        assert "the bench file allows 0.6667 to 1.5000" in learned.finding
        assert bench.open_loop.steps("pitch") == STEPS
        assert standing.truth()["limit_violations"] == 0


def test_what_was_learned_is_kept_only_where_the_light_came_back(tmp_path: Path) -> None:
    laboratory = Laboratory(stepping(), tmp_path, drives())
    to_the_edge(laboratory.simulated)
    found: list[MotionChecked] = []

    def check(bench: Bench) -> Outcome:
        bench.vouch_for(bench.description.axes)
        found.append(check_motion(bench, ("pitch",)))
        return found[-1].outcome

    outcome = laboratory.run(check, command="check").outcome
    invocation, bench = Invocation(store=laboratory.store_path), laboratory.simulated.description
    (good,) = found[0].steps
    held = replace(good, back=replace(good.back, as_before=False))
    assert "not kept" in held.finding
    assert "not kept" not in good.finding
    names: set[str]
    for learned, names in ((held, set()), (good, {"pitch"})):
        keep_measured(invocation, bench, outcome, (), (learned,))
        with Store.open(laboratory.store_path) as store:
            assert store.step_gains(bench.name).keys() == names

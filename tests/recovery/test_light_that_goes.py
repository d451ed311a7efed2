"""The light goes out in the middle of a recovery: that is no division by it, and what was proved
before is not lost."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from autocell_simulators.inprocess import connector

from autocell.bench.opening import open_bench
from autocell.description import BenchDescription
from autocell.errors import ReadingError
from autocell.outcome import Outcome, Verdict
from autocell.procedures.progress import Progress, nobody
from autocell.procedures.recovery.reference import ReferenceSetting
from autocell.procedures.recovery.steps import RecoverySteps
from autocell.recovery import CauseName
from tests.recovery.conftest import PASSES, Simulated


def test_a_second_plateau_without_light_takes_nothing_from_the_proof_of_the_first(
    unwatched: BenchDescription, evening: Outcome, reference: ReferenceSetting
) -> None:
    simulated = Simulated(unwatched, evening, away=False)
    simulated.bench.begin({"fault": "mirror-film", "percent_per_month": 0.05, "months": 3.0})

    def switch_off_there(progress: Progress) -> None:
        simulated.bench.laser_on = progress.stage != "second plateau"

    morning = simulated.recover(reference, switch_off_there)
    assert morning.outcome.verdict is Verdict.DEGRADED, morning.outcome.reason
    assert morning.outcome.passes == morning.truth["passes"] == PASSES
    assert morning.outcome.proof is not None
    assert morning.outcome.proof.proved
    (second,) = [step for step in morning.recovery.steps if step.name == "second plateau"]
    assert "no light where" in second.words
    assert morning.cause.name is CauseName.UNDETERMINED


@pytest.mark.parametrize("noise", [0.0, 1.0])
def test_a_step_that_comes_into_the_dark_says_so(
    noise: float, unwatched: BenchDescription, evening: Outcome, reference: ReferenceSetting
) -> None:
    simulated = Simulated(unwatched, evening, away=False)
    traits = simulated.bench.meter.traits
    simulated.bench.meter.traits = replace(
        traits, noise_floor_w=noise * traits.noise_floor_w, dark_w=0.0
    )
    simulated.bench.laser_on = False
    rng = np.random.default_rng(0)
    with open_bench(unwatched, clock=simulated.clock, connect=connector(simulated.bench)) as opened:
        opened.vouch_for(unwatched.axes)
        steps = RecoverySteps(opened, reference, nobody, rng, reference.setting)
        with pytest.raises(ReadingError, match="no light where the bench stands"):
            steps.recentre(reference.setting, lambda _reading: True)

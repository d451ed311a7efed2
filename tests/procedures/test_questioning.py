"""Questioning rivals, dissenting members, and the approach."""

from __future__ import annotations

from contextlib import ExitStack

import numpy as np
import pytest

from autocell.procedures.approach import approach
from autocell.procedures.change import how_far_off
from autocell.procedures.progress import Progress
from autocell.procedures.proving import dissenter, question_rivals, weigh_rivals

from .conftest import PASSES, PATTERN, PEAT_BOG, TARGET, Arrived, Start, start_tuning


@pytest.mark.parametrize("seed", [103, 4])
def test_the_approach_ends_on_the_plateau_having_read_there(start: Start, seed: int) -> None:
    tuning, simulated = start(seed)
    tuning.read_at(tuning.bench.setting, "survey", "reading where the bench stands")
    inside = approach(tuning, TARGET, how_far_off(PEAT_BOG, PATTERN))
    assert tuning.probability(inside) >= 0.9
    spacings = [reading.setting.spacing_m for reading in tuning.belief.readings]
    assert min(abs(d - inside.spacing_m) for d in spacings) < 3e-4
    tuning.bench.move_to(inside, "to see where it is")
    assert simulated.truth_report()["passes"] == PASSES
    assert len(spacings) <= 12


def test_the_approach_is_candid_and_what_follows_is_cautious() -> None:
    reckoned: list[float] = []

    def listen(_: Progress) -> None:
        reckoned.append(tuning.belief.data.model_error)

    with ExitStack() as stack:
        tuning, _ = start_tuning(stack, 3, listener=listen)
        tuning.read_at(tuning.bench.setting, "survey", "reading where the bench stands")
        assert set(reckoned) == {1.0}
        reckoned.clear()
        approach(tuning, TARGET, how_far_off(PEAT_BOG, PATTERN))
        assert set(reckoned) == {0.5}
        assert tuning.belief.data.model_error == 1.0


def test_questioning_ends_when_no_rival_is_close(start: Start) -> None:
    tuning, _ = start(3)
    tuning.read_at(tuning.bench.setting, "survey", "reading where the bench stands")
    inside = approach(tuning, TARGET, how_far_off(PEAT_BOG, PATTERN))
    before = len(tuning.belief.readings)
    question_rivals(tuning, inside)
    asked = len(tuning.belief.readings) - before
    assert asked <= 8
    assert weigh_rivals(tuning, inside).closest >= 8.0 or asked == 8


def test_questioning_what_is_known_exactly_reads_nothing(start: Start) -> None:
    tuning, _ = start(unknown=("log_gain",))
    tuning.read_at(TARGET, "prove", "the only reading")
    question_rivals(tuning, TARGET)
    assert len(tuning.belief.readings) == 1


def test_among_members_of_one_mind_nobody_dissents(arrived: Arrived) -> None:
    assert arrived.tuning.probability(arrived.at) == pytest.approx(800.5 / 801.0)
    assert dissenter(arrived.tuning, arrived.at) is None


def test_the_dissenter_is_the_likeliest_member_with_another_pass_count(start: Start) -> None:
    tuning, _ = start()
    tuning.read_at(tuning.bench.setting, "survey", "reading where the bench stands")
    answer = dissenter(tuning, TARGET)
    assert answer is not None
    rival, share = answer
    belief = tuning.belief
    passes = belief.predict((TARGET,)).passes[:, 0]
    assert share == pytest.approx(np.mean(passes != PASSES))
    assert share == pytest.approx(1.0 - tuning.probability(TARGET), abs=1e-3)
    assert rival.passes != PASSES
    assert tuning.model.predict(rival.z[None, :], (TARGET,)).passes[0, 0] == rival.passes
    others = belief.log_posterior[passes != PASSES]
    assert rival.log_odds == pytest.approx(belief.log_posterior.max() - others.max())

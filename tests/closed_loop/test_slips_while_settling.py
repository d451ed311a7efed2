"""A mirror that slips while the margin is looked for, after the pass count was proved."""

from __future__ import annotations

import pytest

from autocell.description import BenchDescription
from autocell.outcome import Verdict
from autocell.procedures.change import change_passes
from autocell.procedures.progress import Progress

from .conftest import a_bench


@pytest.mark.thorough
@pytest.mark.parametrize("seed", [2, 3, 5, 6])
def test_a_proof_that_is_lost_while_settling_is_made_again_or_leaves_enough_to_go_home(
    peat_bog: BenchDescription, seed: int
) -> None:
    stages: list[str] = []
    with a_bench(peat_bog, seed) as (bench, simulated):

        def slip_at_the_second_edges(progress: Progress) -> None:
            stages.append(progress.stage)
            proved = "prove" in stages
            if proved and progress.stage == "high edge" and not simulated.events:
                simulated.begin({"fault": "early-exit"})

        outcome = change_passes(bench, 38, listener=slip_at_the_second_edges)
        truth = simulated.truth_report()
    assert [event["fault"] for event in truth["events"]] == ["early-exit"]
    assert truth["limit_violations"] == 0
    if outcome.verdict is Verdict.REACHED:
        assert truth["passes"] == 38
    else:
        assert outcome.verdict is Verdict.HELD
        assert "back at the start" in outcome.reason
        assert truth["passes"] == 6

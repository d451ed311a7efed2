"""While a recovery waits to look again it shows that it is alive."""

from __future__ import annotations

import dataclasses
import itertools

from autocell.description import BenchDescription
from autocell.outcome import Outcome, Verdict
from autocell.procedures.progress import Progress
from autocell.procedures.recovery.reference import ReferenceSetting
from tests.recovery.conftest import Simulated


def test_a_long_wait_is_told_of_every_half_minute(
    watched: BenchDescription, evening: Outcome, reference: ReferenceSetting
) -> None:
    limits = dataclasses.replace(watched.recovery, look_again_s=170.0)
    bench = dataclasses.replace(watched, recovery=limits)
    simulated = Simulated(bench, evening, away=False)
    simulated.bench.begin({"fault": "knock", "percent": 50.0, "for_s": 60.0})
    told: list[Progress] = []
    morning = simulated.recover(reference, told.append)
    assert morning.outcome.verdict is Verdict.UNCHANGED
    assert morning.outcome.elapsed_s > 170.0
    times_s = [progress.elapsed_s for progress in told] + [morning.outcome.elapsed_s]
    assert max(b - a for a, b in itertools.pairwise(times_s)) < 40.0
    assert any(progress.text == "reading once more in 20 s" for progress in told)

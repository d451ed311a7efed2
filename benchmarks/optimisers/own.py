"""autocell itself on the same benches, through its drivers and on its virtual clock."""

from __future__ import annotations

import time

from autocell_simulators.rehearsal.one import rehearse_change
from autocell_simulators.rehearsal.summary import Fate, fate

from autocell.procedures.progress import Progress
from benchmarks.optimisers.plan import Contest, Entry
from benchmarks.optimisers.results import Run

OWN = Entry("autocell", "proof", "six passes")


def rehearse(contest: Contest, index: int) -> Run:
    """The rehearsal of bench number ``index``, counted as the other runs are."""
    numbers: list[int] = []

    def listen(progress: Progress) -> None:
        # the rehearsal makes one claim, with its truth, of each of these
        if progress.passes is not None and progress.probability is not None:
            numbers.append(progress.readings)

    began_s = time.process_time()
    rehearsal = rehearse_change(
        contest.description, contest.passes, campaign_seed=contest.seed, index=index,
        listener=listen,
    )  # fmt: skip
    end = fate(rehearsal, contest.passes)
    there = [
        number
        for number, claim in zip(numbers, rehearsal.claims, strict=False)
        if claim.true_passes == contest.passes
    ]
    return Run(
        index=index,
        method=OWN.method,
        objective=OWN.objective,
        start=OWN.start,
        passes=rehearsal.true_passes or 0,
        readings=rehearsal.readings or 0,
        first=there[0] if there else None,
        settled=rehearsal.readings_to_proof if end is Fate.REACHED_TRUE else None,
        cpu_s=time.process_time() - began_s,
        claim=end.value,
    )

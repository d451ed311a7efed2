"""What came of each way to try it, counted over the benches."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from autocell_simulators.rehearsal.shares import Share, share
from autocell_simulators.rehearsal.summary import Fate

from benchmarks.optimisers.own import OWN
from benchmarks.optimisers.plan import Entry, entries
from benchmarks.optimisers.results import Run


@dataclass(frozen=True)
class Tally:
    """Ends by the simulator's truth. ``held`` are those that say themselves that the wanted count
    was not proved; they are in none of the other three. Medians are None over nothing."""

    entry: Entry
    wanted: Share
    fewer: int
    more: int
    dark: int
    held: int
    ever: int
    first: float | None
    settled: float | None
    readings: float
    cpu_s: float


def tally_all(runs: Iterable[Run], passes: int) -> list[Tally]:
    """One tally for each way that was tried, autocell first, then in the order of the plan.

    Only benches on which every one of these ways was tried count, so that all have the same.
    """
    groups: dict[Entry, dict[int, Run]] = {entry: {} for entry in (OWN, *entries())}
    for run in runs:
        groups[Entry(run.method, run.objective, run.start)][run.index] = run
    tried = {entry: group for entry, group in groups.items() if group}
    common = set.intersection(*(set(group) for group in tried.values())) if tried else set()
    if not common:
        raise ValueError("no bench on which every way was tried; run more")
    return [
        tally(entry, [group[index] for index in sorted(common)], passes)
        for entry, group in tried.items()
    ]


def tally(entry: Entry, runs: list[Run], passes: int) -> Tally:
    """Count the runs of one entry."""
    silent = [run for run in runs if run.claim not in (Fate.HELD.value, Fate.FAILED.value)]
    return Tally(
        entry,
        share(sum(run.passes == passes for run in silent), len(runs)),
        fewer=sum(0 < run.passes < passes for run in silent),
        more=sum(run.passes > passes for run in silent),
        dark=sum(run.passes == 0 for run in silent),
        held=len(runs) - len(silent),
        ever=sum(run.first is not None for run in runs),
        first=_median(run.first for run in runs),
        settled=_median(run.settled for run in runs),
        readings=float(np.median([run.readings for run in runs])),
        cpu_s=float(np.mean([run.cpu_s for run in runs])),
    )


def _median(values: Iterable[int | None]) -> float | None:
    known = [value for value in values if value is not None]
    return float(np.median(known)) if known else None

"""What the metrics of a bench are about, from the run store."""

from __future__ import annotations

from datetime import datetime

from autocell.errors import UsageError
from autocell.notices.metrics import Standing
from autocell.outcome import Outcome, Verdict
from autocell.records import RunSummary, Store

_COMMANDS = ("change", "recover")
_MOST_RUNS = 10_000


def standings(store: Store, bench: str) -> list[Standing]:
    """Of the bench with this file hash, the oldest first: the last run that ended well, the last
    that proved a pass count, and the last at all. They may be one. Raises StoreError."""
    runs = [
        run
        for run in store.runs(bench, limit=_MOST_RUNS)
        if run.command in _COMMANDS and run.verdict is not None
    ]
    telling = [
        next(filter(_ended_well, runs), None),
        next((run for run in runs if run.proved), None),
        next(iter(runs), None),
    ]
    wanted = {run.id for run in telling if run is not None}
    return [_told(store, run) for run in reversed(runs) if run.id in wanted]


def standing(store: Store, outcome: Outcome, ended: datetime) -> Standing:
    """Of a run that has just ended. A recovery that found its bench unchanged looked for no edges:
    its margins are those of the run that it compared with. Raises StoreError."""
    margins_of: Outcome | None = outcome
    unmoved = outcome.verdict is Verdict.UNCHANGED and outcome.proof is None
    if unmoved and outcome.recovery is not None:
        try:
            margins_of = store.run(outcome.recovery.reference.run).outcome
        except UsageError:  # it may have been made with another store
            margins_of = None
    return Standing(outcome, ended, margins_of)


def _ended_well(run: RunSummary) -> bool:
    return run.verdict is not None and run.verdict.exit_code == 0


def _told(store: Store, run: RunSummary) -> Standing:
    outcome = store.run(run.id).outcome
    assert outcome is not None
    assert run.finished_utc is not None
    return standing(store, outcome, run.finished_utc)

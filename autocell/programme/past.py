"""What the run store knows of a programme. It is kept nowhere else."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from itertools import takewhile
from pathlib import Path

from autocell.outcome import Outcome, Verdict
from autocell.programme.programme import Programme
from autocell.records import RunRecord, Store

_MOST_RUNS = 1000
"""So many runs after a held one are looked through for somebody's word; a night has tens."""


@dataclass(frozen=True)
class NightSoFar:
    """What processes before this one made of a night: whether they have begun it, the outcomes of
    the steps that ended, by their number, and whether somebody has accepted the bench since the
    last of those. A step that broke off is none of them: it is to be done again."""

    begun: bool
    done: Mapping[int, Outcome]
    accepted: bool

    @property
    def gone_through(self) -> int:
        """The number of the last step that ended; 0 when none has."""
        return max(self.done, default=0)


NOT_BEGUN = NightSoFar(False, {}, False)


def night_so_far(store: Path | None, programme: Programme, night: date) -> NightSoFar:
    """What is known of a night. Raises StoreError."""
    asked = {"programme": programme.name, "night": night.isoformat()}
    with Store.open(store) as opened:
        runs = opened.asked_with(programme.bench.sha256, asked)
        ended = {_step(run): run for run in runs if run.outcome is not None and not run.broke_off}
        accepted = bool(ended) and _accepted_since(opened, ended[max(ended)])
    done = {step: run.outcome for step, run in ended.items() if run.outcome is not None}
    return NightSoFar(bool(runs), done, accepted)


def _step(run: RunRecord) -> int:
    return int(run.arguments["step"])


def _accepted_since(store: Store, run: RunRecord) -> bool:
    """Whether somebody has looked at the bench after this run, and said so."""
    latest = store.runs(run.summary.bench_name, limit=_MOST_RUNS)
    later = takewhile(lambda each: each.id != run.summary.id, latest)
    return any(each.command == "accept" and each.verdict is Verdict.UNCHANGED for each in later)

"""The morning after: what came of a night, in values that the page, the terminal and JSON share."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, tzinfo
from functools import cached_property
from pathlib import Path

from autocell.description import BenchDescription
from autocell.outcome import Outcome
from autocell.records import RunRecord
from autocell.recovery import Cause, Recovery
from autocell.trends.nights import Night, Nights, last_sign
from autocell.trends.series import Series, all_series, pass_count


@dataclass(frozen=True)
class Morning:
    """What is known of a bench on a morning.

    ``nights`` end with the one that is reported. ``under_way`` is the run that somebody's process
    is carrying out just now, ``other_files`` how many runs had the same name and another bench
    file, ``reference`` the run whose setting the night is compared with. ``links`` are pages and
    exports of runs, by their id and from the folder of the page.
    """

    bench: BenchDescription
    nights: Nights
    made: datetime
    zone: tzinfo
    version: str
    store: Path
    reference: RunRecord | None = None
    under_way: str | None = None
    other_files: int = 0
    links: Mapping[str, Sequence[str]] = field(default_factory=dict)

    @property
    def night(self) -> Night | None:
        """The night that is reported; None when there never was one."""
        return self.nights.nights[-1] if self.nights.nights else None

    @property
    def runs(self) -> tuple[RunRecord, ...]:
        """Those of that night."""
        return () if self.night is None else self.night.runs

    @property
    def last(self) -> RunRecord | None:
        """The run that ended last in that night, those left out that only cleared up."""
        night = self.night
        ended = [] if night is None else [r for r in night.carried_out if r.outcome is not None]
        return ended[-1] if ended else None

    @property
    def outcome(self) -> Outcome | None:
        """Of the run that ended last."""
        return None if self.last is None else self.last.outcome

    @property
    def recovery(self) -> Recovery | None:
        """That of the night: of the last run that was one."""
        run = self.recovery_run
        return None if run is None or run.outcome is None else run.outcome.recovery

    @property
    def recovery_run(self) -> RunRecord | None:
        """The last run of the night that was a recovery."""
        told = [run for run in self.runs if run.outcome is not None and run.outcome.recovery]
        return told[-1] if told else None

    @property
    def cause(self) -> Cause | None:
        """Why the bench was not as it was, where a recovery has an opinion."""
        return None if self.recovery is None else self.recovery.cause

    @property
    def hung(self) -> list[RunRecord]:
        """Runs of all nights that never said how they ended, but for the one under way; that one
        too when it has written nothing down for longer than a whole run may take."""
        return [
            run for run in self.nights.runs if run.outcome is None and not self._is_under_way(run)
        ]

    def _is_under_way(self, run: RunRecord) -> bool:
        silent_s = (self.made - last_sign(run)).total_seconds()
        return run.summary.id == self.under_way and silent_s <= self.bench.caps.time_s

    @cached_property
    def series(self) -> list[Series]:
        """Every quantity, night by night."""
        return all_series(self.bench, self.nights.nights)

    @property
    def passes(self) -> int | None:
        """The pass count that the trends are of."""
        return pass_count(self.nights.nights)

    def local(self, moment: datetime) -> datetime:
        """A moment by the clock on the wall."""
        return moment.astimezone(self.zone)

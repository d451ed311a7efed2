"""The nights of one bench: which runs each had, which were missed, and what never ended.

A night begins at noon, local time, unless a programme says of a run to which night it belongs.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta, tzinfo
from itertools import pairwise
from statistics import median

from autocell.outcome import Verdict
from autocell.records import BROKE_OFF, CLEAR_UP, RunRecord

_DAY = timedelta(days=1)
_NOON = timedelta(hours=12)

_LATE_S = 3600.0
"""So long after its usual beginning a night that has not begun counts as missed."""

_SET_BACK_S = 60.0

WELL = (Verdict.UNCHANGED, Verdict.REACHED, Verdict.RECOVERED)


@dataclass(frozen=True)
class Night:
    """The runs of one night, in the order in which they began. ``missed``: a programme should have
    carried it out, and there is no run but, perhaps, one that cleared up."""

    date: date
    runs: tuple[RunRecord, ...] = ()
    missed: bool = False

    @property
    def carried_out(self) -> tuple[RunRecord, ...]:
        """Those that did more than to look what a run that broke off had left."""
        return tuple(run for run in self.runs if not _only_cleared_up(run))

    @property
    def hung(self) -> tuple[RunRecord, ...]:
        """Those that never said how they ended."""
        return tuple(run for run in self.runs if run.outcome is None)

    @property
    def last_proved(self) -> RunRecord | None:
        """The last run that proved its pass count."""
        proved = [run for run in self.runs if run.summary.proved and run.outcome is not None]
        return proved[-1] if proved else None

    @property
    def worst(self) -> Verdict | None:
        """The worst verdict; None without any."""
        verdicts = [run.outcome.verdict for run in self.carried_out if run.outcome is not None]
        return max(verdicts, key=lambda verdict: verdict.exit_code, default=None)


@dataclass(frozen=True)
class Nights:
    """All nights from the first to the last that was looked at, the oldest first.

    ``programme`` is the one whose nights are counted, None when there was none. ``set_back`` are
    pairs of runs between which the machine's clock was set back.
    """

    nights: tuple[Night, ...]
    programme: str | None = None
    set_back: tuple[tuple[RunRecord, RunRecord], ...] = ()

    @property
    def runs(self) -> list[RunRecord]:
        """Of all nights, the oldest first."""
        return [run for night in self.nights for run in night.runs]

    @property
    def missed(self) -> list[Night]:
        """Nights that should have been carried out."""
        return [night for night in self.nights if night.missed]


def nights(runs: Sequence[RunRecord], now: datetime, zone: tzinfo, most: int) -> Nights:
    """The last ``most`` nights of ``runs``, which are those of one bench in the order in which
    they began, as seen at ``now``."""
    if not runs:
        return Nights(())
    by_date: dict[date, list[RunRecord]] = {}
    for run in runs:
        by_date.setdefault(night_of(run, zone), []).append(run)
    programme, due = _programme(by_date, now, zone)
    last = max(max(by_date), due or min(by_date))
    first = max(min(by_date), last - (most - 1) * _DAY)
    programme_began = min((d for d, r in by_date.items() if any(map(_asked, r))), default=None)
    found = []
    for day in (first + k * _DAY for k in range((last - first).days + 1)):
        of_night = tuple(by_date.get(day, ()))
        expected = programme_began is not None and due is not None and programme_began < day <= due
        found.append(Night(day, of_night, missed=expected and all(map(_only_cleared_up, of_night))))
    kept = [run for run in runs if night_of(run, zone) >= first]
    return Nights(tuple(found), programme, tuple(_set_back(kept)))


def _only_cleared_up(run: RunRecord) -> bool:
    """Whether all that a run did was to clear up after others, and with success: that tells nothing
    of the night."""
    cleared_up = run.outcome is not None and run.outcome.verdict is Verdict.UNCHANGED
    return run.summary.command == CLEAR_UP and cleared_up


def night_of(run: RunRecord, zone: tzinfo) -> date:
    """The local day on which the night of a run began."""
    asked = _asked(run)
    return asked or (run.summary.started_utc.astimezone(zone) - _NOON).date()


def last_sign(run: RunRecord) -> datetime:
    """When a run wrote something down for the last time."""
    signs = [run.summary.started_utc]
    signs += [reading.utc for reading in run.readings]
    signs += [event.utc for event in run.events if event.kind != BROKE_OFF]
    signs += [move.ended_utc or move.intended_utc for move in run.moves]
    return max(signs)


def _asked(run: RunRecord) -> date | None:
    """The night that a programme said the run belongs to."""
    try:
        return date.fromisoformat(str(run.arguments.get("night", "")))
    except ValueError:
        return None


def _programme(
    by_date: dict[date, list[RunRecord]], now: datetime, zone: tzinfo
) -> tuple[str | None, date | None]:
    """The latest programme, and the last night that it should have begun by now.

    When it begins is what it usually did: the middle of the first runs of its nights.
    """
    begins, name = [], None
    for day in sorted(by_date):
        asked = [run for run in by_date[day] if _asked(run) is not None]
        if asked:
            midnight = datetime.combine(day, datetime.min.time(), zone)
            began = min(run.summary.started_utc for run in asked).astimezone(zone)
            begins.append(
                (began.replace(tzinfo=None) - midnight.replace(tzinfo=None)).total_seconds()
            )
            name = str(asked[-1].arguments.get("programme"))
    if not begins:
        return None, None
    due = now.astimezone(zone).replace(tzinfo=None) - timedelta(seconds=median(begins) + _LATE_S)
    return name, due.date()


def _set_back(runs: Sequence[RunRecord]) -> list[tuple[RunRecord, RunRecord]]:
    """Runs that began before the one before them, by the clock of the machine."""
    return [
        (before, after)
        for before, after in pairwise(runs)
        if (last_sign(before) - after.summary.started_utc).total_seconds() > _SET_BACK_S
    ]

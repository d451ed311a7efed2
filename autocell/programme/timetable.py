"""When a night begins, in a time zone whose clocks change twice a year. Arithmetic only.

A local time that the clocks skip is taken an hour later by the new time; one that comes twice is
taken the first time (PEP 495, fold 0). So every night has one beginning, whatever the clocks do.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

_DAY = timedelta(days=1)


def moment(day: date, local: time, zone: ZoneInfo) -> datetime:
    """A local time of a day, in UTC."""
    return datetime.combine(day, local, zone).astimezone(UTC)


def night_at(now: datetime, begins: time, zone: ZoneInfo) -> date:
    """The night that ``now`` belongs to: the day on which it began, by its beginning."""
    today = now.astimezone(zone).date()
    return today if moment(today, begins, zone) <= now else today - _DAY


def next_after(start: datetime, local: time, zone: ZoneInfo) -> datetime:
    """The first time at or after ``start`` at which the clocks show ``local``, in UTC."""
    day = start.astimezone(zone).date() - _DAY
    while (found := moment(day, local, zone)) < start:
        day += _DAY
    return found

"""Local times, through both changes of the clock."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from autocell.programme.timetable import moment, next_after, night_at

HELSINKI = ZoneInfo("Europe/Helsinki")
LORD_HOWE = ZoneInfo("Australia/Lord_Howe")  # its clocks change by half an hour


@pytest.mark.parametrize(
    ("day", "utc"),
    [
        # Directive 2000/84/EC: the last Sundays of March and October, at 01:00 UTC
        (date(2026, 3, 28), datetime(2026, 3, 28, 1, 30, tzinfo=UTC)),
        (date(2026, 3, 29), datetime(2026, 3, 29, 1, 30, tzinfo=UTC)),  # shown as 04:30
        (date(2026, 3, 30), datetime(2026, 3, 30, 0, 30, tzinfo=UTC)),
        (date(2026, 10, 25), datetime(2026, 10, 25, 0, 30, tzinfo=UTC)),  # the first 03:30
        (date(2026, 10, 26), datetime(2026, 10, 26, 1, 30, tzinfo=UTC)),
    ],
)
def test_half_past_three_in_helsinki(day: date, utc: datetime) -> None:
    assert moment(day, time(3, 30), HELSINKI) == utc


instants = st.datetimes(datetime(2025, 1, 1), datetime(2029, 1, 1)).map(
    lambda instant: instant.replace(tzinfo=UTC)
)
zones = st.sampled_from([HELSINKI, LORD_HOWE, ZoneInfo("UTC"), ZoneInfo("America/St_Johns")])
times = st.times().map(lambda moment: moment.replace(second=0, microsecond=0))


@given(instants, times, zones)
def test_a_night_has_begun_and_the_next_has_not(
    now: datetime, begins: time, zone: ZoneInfo
) -> None:
    night = night_at(now, begins, zone)
    assert moment(night, begins, zone) <= now
    assert moment(night + timedelta(days=1), begins, zone) > now


@given(instants, times, zones)
def test_the_next_time_is_within_a_day_and_an_hour(
    start: datetime, local: time, zone: ZoneInfo
) -> None:
    found = next_after(start, local, zone)
    assert timedelta(0) <= found - start < timedelta(hours=25)

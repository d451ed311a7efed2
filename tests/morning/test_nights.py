"""Which night a run belongs to, and which nights are missing."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from autocell.description import BenchDescription
from autocell.errors import UsageError
from autocell.outcome import Outcome, Verdict
from autocell.records import BROKE_OFF, CLEAR_UP, Store
from autocell.report.morning.morning import Morning
from autocell.report.morning.verdict import headline, how_it_went, state, tally
from autocell.session.mornings import look_back
from autocell.trends.nights import nights
from tests.morning.conftest import Told, at_seven
from tests.morning.invented import HELSINKI, Story, invented_nights


def how(morning: Morning) -> list[str]:
    return [how_it_went(night) for night in morning.nights.nights]


def test_every_night_has_its_date_when_the_clocks_change(told: Told) -> None:
    """Summer time ended on 25 October 2026 (Directive 2000/84/EC)."""
    story = Story(nights=10, began=date(2026, 10, 20), held=(), missed=(), cleaned=None)
    morning = told(story)
    dates = [night.date for night in morning.nights.nights]
    assert dates == [date(2026, 10, 20) + timedelta(days=k) for k in range(10)]
    assert how(morning) == ["well"] * 10
    assert morning.nights.set_back == ()


def test_without_a_programme_a_night_begins_at_noon_and_none_is_missed(told: Told) -> None:
    morning = told(Story(nights=6, programme=None, missed=(2, 3), held=(), recoveries=False))
    assert how(morning) == ["well", "well", "without a run", "without a run", "well", "well"]
    assert morning.nights.missed == []
    assert state(morning) == "success"


def test_missed_held_and_hung_nights_are_named(told: Told) -> None:
    morning = told(Story(nights=8, held=(2,), missed=(4,), hung=(6,), quiet=()))
    assert how(morning)[2:7] == ["held", "well", "missed", "well", "hung"]
    assert tally(morning.nights.nights) == "8 nights: 5 well, 1 held, 1 hung, 1 missed"
    assert [run.summary.id[:8] for run in morning.hung] == ["20261102"]


@pytest.mark.parametrize("hours", [-6, 3])
def test_a_night_is_missed_an_hour_after_it_should_have_begun(
    hours: int, bench: BenchDescription
) -> None:
    story = Story(nights=5, held=(), missed=())
    due = datetime(2026, 11, 1, 22, 0, tzinfo=HELSINKI).astimezone(UTC)
    with invented_nights(":memory:", bench, story) as store:
        morning = look_back(store, bench, due + timedelta(hours=hours), HELSINKI)
    if hours < 0:
        assert how(morning) == ["well"] * 5
    else:
        assert how(morning) == ["well"] * 5 + ["missed"]
        assert state(morning) == "failure"
        assert headline(morning) == (
            "Silence: nothing was heard of this bench since 31 October, 22:00"
        )


@pytest.mark.parametrize(
    ("hours", "how_it_is", "told"),
    [(-4, "without a run", "Nothing was set yet"), (3, "missed", "Silence: nothing was heard")],
)
def test_a_run_that_only_cleared_up_is_no_night(
    hours: int, how_it_is: str, told: str, bench: BenchDescription
) -> None:
    story = Story(nights=5, held=(), missed=())
    due = datetime(2026, 11, 1, 22, 0, tzinfo=HELSINKI).astimezone(UTC)
    with invented_nights(":memory:", bench, story) as store:
        clearing = store.begin(CLEAR_UP, bench, due - timedelta(hours=5), "0", {})
        clearing.finish(Outcome(Verdict.UNCHANGED, "nothing is left of runs that broke off"))
        morning = look_back(store, bench, due + timedelta(hours=hours), HELSINKI)
    assert how(morning) == ["well"] * 5 + [how_it_is]
    assert headline(morning).startswith(told)


def test_what_a_later_run_leaves_with_one_that_broke_off_does_not_look_like_a_clock_set_back(
    bench: BenchDescription,
) -> None:
    began = datetime(2026, 11, 1, 22, 0, tzinfo=UTC)
    times = iter([began + timedelta(seconds=90)])
    with Store.open(":memory:", utc=lambda: next(times, began + timedelta(hours=1))) as store:
        broken = store.begin("change", bench, began, "0", {})
        store.begin(CLEAR_UP, bench, began + timedelta(minutes=1), "0", {})
        broken.event(0.0, BROKE_OFF, "it broke off")
        runs = [store.run(summary.id) for summary in reversed(store.runs())]
    assert runs[0].broke_off
    assert nights(runs, began, UTC, 3).set_back == ()


def test_silence_of_a_week_names_each_night_once(bench: BenchDescription) -> None:
    story = Story(nights=5, held=(), missed=())
    with invented_nights(":memory:", bench, story) as store:
        morning = look_back(store, bench, at_seven(story) + timedelta(days=7), HELSINKI)
    assert how(morning) == ["well"] * 5 + ["missed"] * 7


def test_runs_of_another_bench_with_the_same_name_are_left_out(
    bench: BenchDescription, another: BenchDescription, tmp_path: Path
) -> None:
    story = Story(nights=4, held=(), missed=())
    path = tmp_path / "runs.sqlite"
    invented_nights(path, another, Story(nights=9, held=(), missed=(), film=9e-4)).close()
    with invented_nights(path, bench, story) as store:
        morning = look_back(store, bench, at_seven(story), HELSINKI)
        assert len(morning.nights.runs) == 4
        assert {run.summary.bench_sha256 for run in morning.nights.runs} == {bench.sha256}
        assert morning.other_files == 9
        assert len(look_back(store, another, at_seven(story), HELSINKI).nights.runs) == 9


def test_a_clock_that_was_set_back_is_noticed(bench: BenchDescription, tmp_path: Path) -> None:
    path = tmp_path / "runs.sqlite"
    invented_nights(path, bench, Story(nights=8, held=(), missed=())).close()
    later = Story(nights=3, held=(), missed=(), began=date(2026, 11, 1))
    with invented_nights(path, bench, later) as store:
        morning = look_back(store, bench, datetime(2026, 11, 4, 5, tzinfo=UTC), HELSINKI)
    ((before, after),) = morning.nights.set_back
    assert before.summary.started_utc > after.summary.started_utc
    reflectivity = next(each for each in morning.series if each.name == "reflectivity")
    values = [value.night for value in reflectivity.values]
    assert values == sorted(values), "a line goes forward in time"


def test_the_time_zone_decides_which_day_it_is(told: Told) -> None:
    story = Story(nights=3, programme=None, held=(), missed=(), recoveries=False)
    morning = told(story)
    runs = morning.nights.runs
    far_east = nights(runs, at_seven(story), ZoneInfo("Pacific/Auckland"), 30)
    assert far_east.nights[0].date == date(2026, 10, 27), "09:00 belongs to the night before"
    west = nights(runs, at_seven(story), ZoneInfo("America/Los_Angeles"), 30)
    assert west.nights[-1].date == date(2026, 10, 29)


def test_only_so_many_nights_are_looked_back_at(bench: BenchDescription) -> None:
    story = Story(nights=12, held=(), missed=())
    with invented_nights(":memory:", bench, story) as store:
        morning = look_back(store, bench, at_seven(story), HELSINKI, most=5)
        assert len(morning.nights.nights) == 5
        earlier = look_back(
            store, bench, at_seven(story), HELSINKI, night=date(2026, 10, 30), most=3
        )
        assert earlier.night is not None
        assert earlier.night.date == date(2026, 10, 30)
        assert len(earlier.nights.nights) == 3
        with pytest.raises(UsageError, match="no run up to the night of 2026-01-01"):
            look_back(store, bench, at_seven(story), HELSINKI, night=date(2026, 1, 1))


def test_the_worst_run_of_a_night_decides_how_it_went_and_the_last_how_it_ended(
    bench: BenchDescription,
) -> None:
    story = Story(nights=2, held=(1,), missed=())
    with invented_nights(":memory:", bench, story) as store:
        began = at_seven(story) - timedelta(hours=3)
        run = store.begin("change", bench, began, "0.1.0", {"passes": 62})
        run.finish(Outcome(Verdict.REACHED, "set", wanted_passes=62, passes=62))
        morning = look_back(store, bench, at_seven(story), HELSINKI)
    assert how(morning) == ["well", "held"]
    assert state(morning) == "success"
    assert (
        headline(morning)
        == "All is well: 62 passes reached and proved, after 1 run that ended held"
    )

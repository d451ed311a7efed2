"""Night after night, through changes of the clock, interruptions and changes that are held."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from autocell.outcome import Learned, Verdict
from autocell.procedures.tuning import Way
from autocell.programme.night import Conductor
from autocell.programme.programme import load
from tests.programme.conftest import EVENING, NIGHTS, Nights, Write, spoil

HELSINKI = ZoneInfo("Europe/Helsinki")


def local(moment: datetime) -> str:
    return moment.astimezone(HELSINKI).strftime("%d %H:%M")


def test_thirty_nights_begin_and_go_on_at_their_local_times(nights: Nights) -> None:
    nights.nights(30)
    began = [local(moment) for moment in nights.began]
    assert len(began) == 60
    assert {text[3:] for text in began[::2]} == {"22:00"}
    assert {text[3:] for text in began[1::2]} == {"02:00"}
    days = [moment.astimezone(HELSINKI).date() for moment in nights.began[::2]]
    assert days == [days[0] + timedelta(days=k) for k in range(30)]
    runs = nights.runs()
    assert [run.arguments["step"] for run in runs] == [1, 4] * 30
    assert {run.summary.verdict for run in runs} == {Verdict.REACHED}
    assert nights.simulated.truth_report()["limit_violations"] == 0
    # summer time ended on 25 October 2026 (Directive 2000/84/EC): that night has an hour more
    gaps = {b - a for a, b in zip(nights.began[::2], nights.began[2::2], strict=False)}
    assert (
        sorted(round(gap.total_seconds() / 3600) for gap in gaps if gap.seconds % 60 < 60)[-1] == 25
    )


def test_each_change_starts_from_what_the_last_proved_one_learned(nights: Nights) -> None:
    nights.learned = Learned(("spacing_offset_m",), (3e-4,), ((1e-10,),))
    nights.nights(2)
    assert nights.experiences[0] is None
    later = [experience for experience in nights.experiences[1:] if experience is not None]
    assert len(later) == len(nights.began) - 1
    assert {experience.learned for experience in later} == {nights.learned}
    assert all(1.0 <= experience.nights < 1.5 for experience in later), "by the clock of the nights"
    ways = [experience.way for experience in later]
    assert ways[0] is None, "nothing has led to the second pattern yet"
    for way, last in zip(ways[1:], nights.outcomes, strict=False):  # two patterns in turn
        assert way == Way(last.setting, last.telling)
    runs = nights.runs()
    ids = [run.summary.id for run in runs]
    # the second from what the first learned, then each by the way of the one before the last
    assert [run.arguments.get("learned_by") for run in runs] == [None, ids[0], *ids[:-2]]


def test_it_shows_that_it_is_alive_while_it_waits(nights: Nights) -> None:
    nights.nights(1)
    assert any("waiting until" in text for _, text in nights.doing)


def test_a_step_is_left_out_when_the_change_before_is_held(nights: Nights) -> None:
    nights.held = {62}
    nights.nights(1)
    assert [outcome.verdict for outcome in nights.outcomes] == [Verdict.HELD]
    assert any("left out, the last change is held" in text for text in nights.told)


@pytest.mark.parametrize(
    ("on_held", "changes", "nights_carried_out"),
    [("go on", 4, 2), ("end the night", 2, 2), ("end the programme", 1, 1)],
)
def test_what_is_done_on_held_is_as_the_file_says(
    on_held: str, changes: int, nights_carried_out: int, write: Write, tmp_path: Path
) -> None:
    text = NIGHTS.replace("go on", on_held).replace(
        "{change: 50, skip_if_held: true}", "change: 50"
    )
    nights = Nights(load(write(text)), tmp_path, datetime(2026, 10, 20, 15, 0, tzinfo=UTC))
    nights.held = {62}
    carried_out = 0
    for _ in nights.conductor().every_night():
        carried_out += 1
        if carried_out == 2:
            break
    assert (len(nights.outcomes), carried_out) == (changes, nights_carried_out)


def test_a_programme_that_is_started_again_goes_on_with_the_night_it_finds(
    nights: Nights,
) -> None:
    nights.dies_at = 2
    with pytest.raises(KeyboardInterrupt):
        nights.nights(1)
    nights.clock.sleep(1800.0)
    nights.told.clear()
    nights.nights(1)
    assert any("Step 1, change to 62 passes: done before, reached." in t for t in nights.told)
    wanted = [run.arguments["passes"] for run in nights.runs()]
    assert wanted == [62, 50], "what ended is not made again, be it by an interrupt"
    assert local(nights.wall.utc()) == "21 02:30", "no wait was made a second time"


def test_a_night_that_was_missed_by_long_is_left_alone(nights: Nights) -> None:
    nights.clock.sleep(6 * 3600.0)  # midnight; a late start is allowed for an hour
    nights.nights(1)
    assert local(nights.began[0]) == "21 22:00"


def test_a_night_that_was_just_missed_is_begun_late(nights: Nights) -> None:
    nights.clock.sleep(4.5 * 3600.0)
    nights.nights(1)
    assert local(nights.began[0]) == "20 22:30"


def test_a_clock_that_is_set_back_during_a_wait_is_noticed(nights: Nights) -> None:
    def set_back(now_s: float) -> None:
        if now_s > 5 * 3600.0:
            nights.wall.set_back_s = 3600.0

    nights.clock.on_advance.append(set_back)  # one hour after the first change
    nights.nights(2)
    assert [local(moment) for moment in nights.began] == [
        "20 22:00", "21 02:00", "21 22:00", "22 02:00",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("set_back_s", "told"),
    [(3600.0, "set back by 60.0 min:"), (-1800.0, "set forward by 30.0 min,")],
)
def test_a_clock_that_is_set_is_told_within_the_wait(
    set_back_s: float, told: str, nights: Nights
) -> None:
    heard_s: list[float] = []

    def set_once(now_s: float) -> None:
        if now_s > 3600.0 and nights.wall.set_back_s == 0.0:
            nights.wall.set_back_s = set_back_s

    def tell(text: str) -> None:
        if "The clock of this machine was" in text:
            heard_s.append(nights.clock.now())
            assert told in text

    nights.clock.on_advance.append(set_once)
    conductor = nights.conductor()
    conductor.around = replace(conductor.around, tell=tell)
    next(Conductor(conductor.programme, conductor.around).every_night())
    assert len(heard_s) == 1
    assert 3600.0 <= heard_s[0] <= 3600.0 + 60.0


def test_a_clock_that_is_slewed_is_not_told(nights: Nights) -> None:
    def slew(now_s: float) -> None:
        nights.wall.set_back_s = 5e-4 * now_s  # the most that an adjustment of Linux slews

    nights.clock.on_advance.append(slew)
    nights.nights(1)
    assert nights.wall.set_back_s > 10.0
    assert not any("The clock" in text for text in nights.told)


@pytest.mark.parametrize(
    ("on_held", "changes"), [("go on", 2), ("end the night", 1), ("end the programme", 1)]
)
def test_steps_that_are_carried_out_once_end_as_held_when_one_is(
    on_held: str, changes: int, write: Write, tmp_path: Path
) -> None:
    text = NIGHTS.replace("go on", on_held).replace(
        "{change: 50, skip_if_held: true}", "change: 50"
    )
    nights = Nights(load(write(text)), tmp_path, datetime(2026, 10, 20, 15, 0, tzinfo=UTC))
    nights.held = {62}
    assert nights.conductor().once() is Verdict.HELD
    assert len(nights.began) == changes


def test_steps_are_carried_out_once_from_now_on(nights: Nights) -> None:
    assert nights.conductor().once() is Verdict.REACHED
    assert [local(moment) for moment in nights.began] == ["20 18:00", "21 02:00"]


def test_a_change_that_cannot_be_begun_is_told_and_the_next_step_follows(
    write: Write, tmp_path: Path
) -> None:
    text = NIGHTS.replace("  - change: 62", "  - settle_min: 1\n  - change: 62")
    nights = Nights(load(write(text)), tmp_path, EVENING)
    nights.clock.on_advance.append(lambda _now_s: spoil(nights.store))
    nights.conductor().once()
    (outcome,) = nights.outcomes
    assert outcome.verdict is Verdict.FAILED
    assert "every axis was told to stop" in outcome.reason

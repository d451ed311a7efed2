"""What somebody should do about a night, the most urgent first; or that there is nothing to do."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from autocell.outcome import Verdict
from autocell.report import words
from autocell.report.morning.morning import Morning
from autocell.report.morning.rows import between, night_ahead
from autocell.report.morning.verdict import day, days, missed_in_words
from autocell.trends.nights import last_sign
from autocell.trends.series import Series

NOTHING = "No action needed."

_LIGHT_LOST = 0.02
"""Share of the light below which a loss is only watched. [trade]"""

_WARNED_NIGHTS = 30.0
"""How long before something runs out it is worth a word. [trade]"""

_LATELY = 7
"""Nights after which nobody finds out any more why one was missed. [trade]"""

_LOOK_AT = {
    "dark level": "the power meter and the room's light",
    "temperature": "the heating of the room",
}

_MANY_ERRORS = 10
"""Communication errors in one night that are worth a look at the cables. [trade]"""


@dataclass(frozen=True)
class Advice:
    """What to do, in a sentence. ``can_wait``: no need to do it today."""

    text: str
    can_wait: bool = False


def advice(morning: Morning) -> list[Advice]:
    """What to do; one piece at least, which may be that there is nothing."""
    found = [
        *_about_silence(morning),
        *_about_the_verdict(morning),
        *_about_what_runs_out(morning),
        *_about_the_light(morning),
        *_about_the_machine(morning),
    ]
    urgent = [each for each in found if not each.can_wait]
    waiting = [each for each in found if each.can_wait]
    return [*urgent, *waiting] or [Advice(NOTHING, can_wait=True)]


def _about_silence(morning: Morning) -> Iterator[Advice]:
    for run in morning.hung:
        sign = morning.local(last_sign(run))
        if run.told_to_end:
            yield Advice(
                f"Start the programme again: the process of run {run.summary.id} "
                f"({run.summary.command}) was told to end, and stopped every axis where it was, on "
                f"{day(sign.date())}, {sign:%H:%M}. The next run undoes what it had begun."
            )
            continue
        yield Advice(
            f"Look at the bench: run {run.summary.id} ({run.summary.command}) never said how it "
            f"ended; its last line is of {day(sign.date())}, {sign:%H:%M}. Should it still hang, "
            "'autocell stop' ends it; the next run deals with what it left."
        )
    night = morning.night
    if night is not None and night.missed:
        yield Advice(
            f"Find out why nothing ran ({missed_in_words(morning)}): was the computer on, and does "
            "its service or cron still start the programme?"
        )
    elif lately := [each.date for each in morning.nights.nights[-_LATELY:] if each.missed]:
        yield Advice(f"Find out why nothing ran on {days(lately)}.", can_wait=True)


def _about_the_verdict(morning: Morning) -> Iterator[Advice]:
    cause = morning.cause
    if cause is not None and cause.advice.strip(". ").lower() != NOTHING.strip(".").lower():
        yield Advice(words.sentence(cause.advice))
    outcome = morning.outcome
    if outcome is None or outcome.verdict not in (Verdict.HELD, Verdict.FAILED):
        return
    if cause is None:
        yield Advice(
            "Look at the bench and its light before the next run: nothing was proved. "
            f"{words.sentence(outcome.reason)}"
        )


def _about_what_runs_out(morning: Morning) -> Iterator[Advice]:
    for series in morning.series:
        for limit, ahead in series.forecasts:
            if ahead.middle is None or ahead.middle > 2.0 * _WARNED_NIGHTS:
                continue  # it may as well not happen
            soon = ahead.earliest <= _WARNED_NIGHTS
            when = between(series, ahead)
            when = when if ahead.middle <= 0.0 else f"on {when}"
            if series.group == "margin":
                before = day(night_ahead(series.values[-1].date, ahead.earliest))
                text = (
                    f"Align the mirrors before {before}: the plateau narrows, and at the present "
                    f"rate {limit.words} {when}."
                )
            else:
                text = (
                    f"Bring {series.axis} back to the middle of its range by hand in time: at the "
                    f"present rate {limit.words} {when}."
                )
            yield Advice(text, can_wait=not soon)


def _about_the_light(morning: Morning) -> Iterator[Advice]:
    by_name = {series.name: series for series in morning.series}
    if (mirrors := by_name.get("reflectivity")) is not None:
        yield from _about_mirrors(morning, mirrors)
    laser, light = by_name.get("laser"), by_name.get("light")
    if laser is not None and (fell := _fallen(laser)) is not None:
        share = fell / laser.values[laser.trend.used[0]].value
        yield Advice(
            f"Look at the laser: its power fell by {100 * share:.1f} % in {_nights(laser)}.",
            can_wait=share < _LIGHT_LOST,
        )
    elif light is not None and (fell := _fallen(light)) is not None:
        yield Advice(
            f"Look at the laser, the windows and the meter: together they let through "
            f"{100 * fell:.1f} % less than {_nights(light)} ago. Without a reference meter these "
            "readings cannot tell them apart.",
            can_wait=fell < _LIGHT_LOST,
        )


def _about_mirrors(morning: Morning, mirrors: Series) -> Iterator[Advice]:
    fell = _fallen(mirrors)
    if fell is None or mirrors.trend.change is None:
        return
    u = mirrors.trend.change[1]
    value, around = words.with_uncertainty(fell, u)
    passes = morning.passes or 2
    last = mirrors.values[-1].value
    lost = 1.0 - (last / (last + fell)) ** (passes - 1)  # R^(N-1)
    what = "Clean" if lost >= _LIGHT_LOST else "Watch"
    yield Advice(
        f"{what} the mirrors: reflectivity fell {value} ± {around} in {_nights(mirrors)}, which "
        f"costs {100 * lost:.1f} % of the light at {passes} passes.",
        can_wait=lost < _LIGHT_LOST,
    )


def _about_the_machine(morning: Morning) -> Iterator[Advice]:
    checks = () if morning.recovery is None else morning.recovery.health
    for check in checks:
        if not check.within:
            yield Advice(f"Look at {_LOOK_AT[check.name]}: {check.statement}.", can_wait=True)
    for before, after in morning.nights.set_back[-1:]:
        yield Advice(
            f"Set the clock of this computer right: run {after.summary.id} is dated before the end "
            f"of run {before.summary.id}, which came first. Dates and forecasts may be off.",
            can_wait=True,
        )
    errors = sum(run.outcome.communication_errors or 0 for run in morning.runs if run.outcome)
    if errors >= _MANY_ERRORS:
        yield Advice(
            f"Look at cables and plugs: {errors} communication errors in one night.", can_wait=True
        )


def _fallen(series: Series) -> float | None:
    """By how much the line fell over its nights; None without a trend downwards."""
    change = series.trend.change
    return -change[0] if change is not None and change[0] < 0.0 else None


def _nights(series: Series) -> str:
    line = series.trend.line
    assert line is not None
    return words.count(round(line.span), "night")

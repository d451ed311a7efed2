"""What somebody should do about a night, the most urgent first; or that there is nothing to do."""

from __future__ import annotations

from collections.abc import Iterator

from autocell.outcome import Verdict
from autocell.recovery import CauseName
from autocell.report import words
from autocell.report.morning.ahead import Advice, about_the_light, about_what_runs_out
from autocell.report.morning.morning import Morning
from autocell.report.morning.verdict import day, days, missed_in_words
from autocell.trends.nights import last_sign

NOTHING = "No action needed."

_LATELY = 7
"""Nights after which nobody finds out any more why one was missed. [trade]"""

_LOOK_AT = {
    "dark level": "the power meter and the room's light",
    "temperature": "the heating of the room",
}

_MANY_ERRORS = 10
"""Communication errors in one night that are worth a look at the cables. [trade]"""


def advice(morning: Morning) -> list[Advice]:
    """What to do; one piece at least, which may be that there is nothing."""
    found = [
        *_about_silence(morning),
        *_about_the_verdict(morning),
        *about_what_runs_out(morning),
        *about_the_light(morning),
        *_about_the_machine(morning),
    ]
    something = [each for each in found if not _is_nothing(each.text)] or found
    urgent = [each for each in something if not each.can_wait]
    waiting = [each for each in something if each.can_wait]
    return [*urgent, *waiting] or [Advice(NOTHING, can_wait=True)]


def _is_nothing(text: str) -> bool:
    """Whether it says that nothing is to be done, be it with a hint for the next time."""
    return text.lower().startswith(NOTHING.strip(".").lower())


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
    if cause is not None and cause.name is not CauseName.MIRRORS:
        text = words.sentence(cause.advice)
        if text != NOTHING:
            yield Advice(text)
    outcome = morning.outcome
    if outcome is None or outcome.verdict not in (Verdict.HELD, Verdict.FAILED):
        return
    if cause is None:
        yield Advice(
            "Look at the bench and its light before the next run: nothing was proved. "
            f"{words.sentence(outcome.reason)}"
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

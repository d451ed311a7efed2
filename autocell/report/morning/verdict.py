"""The night in one line, and why."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from datetime import date, datetime, timedelta
from typing import Literal

from autocell.outcome import Outcome, Verdict
from autocell.report import words
from autocell.report.morning.morning import Morning
from autocell.trends.nights import WELL, Night, last_sign

_HOW = ("well", "degraded", "held", "failed", "broken off", "hung", "missed", "without a run")

State = Literal["success", "partly", "failure"]


def state(morning: Morning) -> State:
    """How the night is marked. Silence is no success."""
    if morning.night is None:
        return "partly"
    if morning.night.missed or any(run in morning.hung for run in morning.runs):
        return "failure"
    if morning.outcome is None:
        return "partly"
    return "success" if morning.outcome.verdict in WELL else (
        "failure" if morning.outcome.verdict is Verdict.FAILED else "partly"
    )  # fmt: skip


def exit_code(morning: Morning) -> int:
    """That of the verdict the night ended with; that of a failed run for silence."""
    if state(morning) == "failure":
        return Verdict.FAILED.exit_code
    return 0 if morning.outcome is None else morning.outcome.verdict.exit_code


def headline(morning: Morning) -> str:
    """The night in one line."""
    if morning.night is None:
        return "Nothing to report: this bench has not had a run yet"
    if morning.night.missed:
        return f"Silence: nothing was heard of this bench since {heard_last(morning)}"
    hung = [run for run in morning.runs if run in morning.hung]
    if hung and all(run.told_to_end for run in hung):
        return (
            "Broken off: the process was told to end in the middle of a run, and none has gone on"
        )
    if hung:
        return f"Hung: {'a run' if len(hung) == 1 else f'{len(hung)} runs'} never said how it ended"
    if morning.outcome is None and all(run.outcome is not None for run in morning.runs):
        return "Nothing was set yet: only what a run that broke off had left was looked at"
    if morning.outcome is None:
        return "Under way: the first run of the night has not ended yet"
    ended = [run.outcome for run in morning.night.carried_out if run.outcome is not None]
    return _ended(ended[-1]) + _before([o.verdict for o in ended[:-1] if o.verdict not in WELL])


def explanation(morning: Morning) -> str:
    """Why, in a sentence or two; empty when there is nothing to add."""
    if morning.night is None:
        return "Once autocell change or a programme has run, its nights are told here."
    if morning.night.missed:
        usual = f"The programme {morning.nights.programme!r} should have begun long ago"
        return f"{usual}; {missed_in_words(morning)}."
    parts = []
    for run in morning.runs:
        if run in morning.hung:
            sign = morning.local(last_sign(run))
            name = f"Run {run.summary.id} ({run.summary.command})"
            did = "was told to end" if run.told_to_end else "wrote its last line"
            parts.append(f"{name} {did} at {sign:%H:%M:%S}.")
    if morning.outcome is not None:
        parts.append(words.sentence(morning.outcome.reason))
    return " ".join(parts)


def missed_in_words(morning: Morning) -> str:
    """Which nights were missed, of those looked at; empty when none was."""
    missed = [night.date for night in morning.nights.missed]
    if not missed:
        return ""
    return f"{words.count(len(missed), 'night')} missed: {days(missed)}"


def heard_last(morning: Morning) -> str:
    """When the bench was heard of last."""
    signs = [last_sign(run) for run in morning.nights.runs]
    return f"{moment(morning.local(max(signs)))}" if signs else "the beginning"


def night_in_words(night: Night) -> str:
    """From the day on which it began to the next."""
    morning = night.date + timedelta(days=1)
    if night.date.month == morning.month:
        return f"night of {night.date.day} to {day(morning)} {morning.year}"
    return f"night of {day(night.date)} to {day(morning)} {morning.year}"


def how_it_went(night: Night) -> str:
    """A night in a word or two, by the worst of it."""
    if night.missed:
        return "missed"
    if night.hung:
        return "broken off" if all(run.told_to_end for run in night.hung) else "hung"
    if night.worst is None:
        return "without a run"
    return "well" if night.worst in WELL else night.worst.value


def tally(nights: Sequence[Night]) -> str:
    """How the nights went, in one line."""
    counts = Counter(map(how_it_went, nights))
    told = [f"{counts[name]} {name}" for name in _HOW if counts[name]]
    return f"{words.count(len(nights), 'night')}: {', '.join(told)}"


def day(of: date) -> str:
    """A day without its year."""
    return f"{of.day} {of:%B}"


def moment(local: datetime) -> str:
    """A day and a time."""
    return f"{day(local.date())}, {local:%H:%M}"


def _ended(outcome: Outcome) -> str:
    passes = outcome.passes
    if passes is None and outcome.recovery is not None:
        passes = outcome.recovery.reference.passes
    count = "the pattern" if passes is None else f"{passes} passes"
    wanted = "" if outcome.wanted_passes is None else f": {outcome.wanted_passes} passes wanted"
    return {
        Verdict.UNCHANGED: f"All is well: {count} stand as they were proved",
        Verdict.REACHED: f"All is well: {count} reached and proved",
        Verdict.RECOVERED: f"Recovered: {count}, proved again",
        Verdict.DEGRADED: f"Degraded: {count} proved, but not everything is as it should be",
        Verdict.HELD: f"Held{wanted}, not proved",
        Verdict.FAILED: f"Failed{wanted}, not proved",
    }[outcome.verdict]


def _before(verdicts: Sequence[Verdict]) -> str:
    """What is added when an earlier run of the night did not end well."""
    if not verdicts:
        return ""
    names = sorted({verdict.value for verdict in verdicts})
    return f", after {words.count(len(verdicts), 'run')} that ended {' or '.join(names)}"


def days(dates: Sequence[date]) -> str:
    """Days as a list, those in a row as a range."""
    ranges: list[list[date]] = []
    for each in dates:
        if ranges and each - ranges[-1][-1] == timedelta(days=1):
            ranges[-1].append(each)
        else:
            ranges.append([each])
    return ", ".join(
        day(run[0]) if len(run) == 1 else f"{day(run[0])} to {day(run[-1])}" for run in ranges
    )

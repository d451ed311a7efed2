"""The runs of a night, what happened in them, and where all of it comes from: the same on the
page and in the terminal."""

from __future__ import annotations

from autocell.report import words
from autocell.report.morning.morning import Morning
from autocell.report.morning.verdict import moment

RUNS_HEAD = ("Began", "Run", "Passes", "Verdict", "Readings", "Moves", "Asked again", "Line errors")

_TOLD = ("metering", "reference", "phasing", "trust", "stop", "aftermath", "found")
"""Kinds of events that are worth a line on the next morning."""


def run_rows(morning: Morning) -> list[tuple[str, ...]]:
    """One row a run, as :data:`RUNS_HEAD` says."""
    rows: list[tuple[str, ...]] = []
    for run in morning.runs:
        outcome = run.outcome
        ended = "under way" if run.summary.id == morning.under_way else "never said how it ended"
        rows.append(
            (
                f"{morning.local(run.summary.started_utc):%H:%M}",
                run.summary.command,
                _count(run.summary.wanted_passes),
                ended if outcome is None else outcome.verdict.value,
                str(len(run.readings)),
                str(len(run.moves)),
                _count(None if outcome is None else outcome.retries),
                _count(None if outcome is None else outcome.communication_errors),
            )
        )
    return rows


def events(morning: Morning) -> list[str]:
    """What happened in the night beside moves and readings, a line each."""
    return [
        f"{morning.local(event.utc):%H:%M:%S} {event.text}"
        for run in morning.runs
        for event in run.events
        if event.kind in _TOLD
    ]


def origin(morning: Morning) -> str:
    """When and from what the report was made, by which version, and how to get at the raw data."""
    left_out = (
        f" Left out: {words.count(morning.other_files, 'run')} under this name, made with another "
        "bench file."
        if morning.other_files
        else ""
    )
    made = morning.local(morning.made)
    return (
        f"Made {moment(made)} {made:%Y %Z} by autocell {morning.version}, from the run store "
        f"{morning.store}. Bench file {morning.bench.path}, SHA-256 {morning.bench.sha256}."
        f"{left_out} Raw data of any run: autocell export RUN --to RUN.json."
    )


def _count(number: int | None) -> str:
    return "" if number is None else str(number)

"""From a bench file to a finished run: store, stop, bench, outcome and report, in that order.

The run is on disk before a port is opened, and says how it ended whatever happened.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from autocell import __version__
from autocell.bench.bench import Bench
from autocell.bench.clock import RealClock
from autocell.bench.opening import open_bench
from autocell.bench.stopping import stop_on_signals
from autocell.cli import output
from autocell.cli.failures import outcome_of
from autocell.cli.invocation import Invocation
from autocell.cli.reports import report_path, write_report
from autocell.description import BenchDescription
from autocell.errors import AutocellError, Stopped, StoreError
from autocell.outcome import Outcome
from autocell.records import RunWriter, Store
from autocell.report import cautions


@dataclass(frozen=True)
class Order:
    """What a run was asked to do, and where it is kept."""

    command: str
    description: BenchDescription
    invocation: Invocation
    arguments: Mapping[str, Any] = field(default_factory=dict)
    report: Path | None = None


@dataclass(frozen=True)
class Finished:
    """A run that ended by itself, with its report if that could be written."""

    outcome: Outcome
    report: Path | None


def print_cautions(description: BenchDescription) -> None:
    """Once, before anything moves."""
    output.err().print(f"Caution: {cautions.in_short(description)}", style="yellow")


@contextmanager
def looking(description: BenchDescription) -> Iterator[Bench]:
    """The opened bench for a command that moves nothing and keeps no record."""
    with stop_on_signals(), open_bench(description, clock=RealClock()) as bench:
        yield bench


def conduct(order: Order, procedure: Callable[[Bench], Outcome]) -> Finished:
    """Record a run, open its bench, carry the procedure out, and write the report.

    Whatever ends the procedure is recorded, left in ``order.invocation`` and raised again.
    """
    with Store.open(order.invocation.store) as store:
        with stop_on_signals():
            journal = store.begin(
                order.command, order.description, datetime.now(UTC), __version__, order.arguments
            )
            outcome, error = _carry_out(order, store, journal, procedure)
            try:
                outcome = _finish(journal, outcome)
            except StoreError as trouble:
                error = error or trouble
        report = _report(order, store, journal.id)
    if error is not None:
        order.invocation.outcome = outcome
        raise error
    return Finished(outcome, report)


def _carry_out(
    order: Order, store: Store, journal: RunWriter, procedure: Callable[[Bench], Outcome]
) -> tuple[Outcome, BaseException | None]:
    """The outcome, and the error if it was one that ended the run."""
    bench: Bench | None = None
    try:
        with open_bench(order.description, clock=RealClock(), journal=journal) as bench:
            return procedure(bench), None
    except BaseException as error:
        outcome = replace(outcome_of(error), wanted_passes=order.arguments.get("passes"))
        if bench is not None:
            usage = bench.usage
            outcome = replace(
                outcome,
                readings=usage.readings,
                moves=usage.moves,
                travel_m=usage.travel_m,
                elapsed_s=usage.elapsed_s,
            )
        if isinstance(error, Stopped):
            opened = bench is not None
            outcome = replace(outcome, reason=_stop_in_words(store, journal.id, error, opened))
        return outcome, error


def _finish(journal: RunWriter, outcome: Outcome) -> Outcome:
    """Write down how the run ended, also when the first interrupt comes only now: the bench is
    closed, and the run has come to what it has come to."""
    try:
        return journal.finish(outcome)
    except Stopped:
        with contextlib.suppress(StoreError):  # it was written before the interrupt
            return journal.finish(outcome)
        return outcome.with_run(journal.id)


def _stop_in_words(store: Store, run: str, error: Stopped, opened: bool) -> str:
    """What the stop did, as the guard wrote it down."""
    if not opened:
        return f"{error}, while the bench was being opened; nothing had been moved"
    told = "every axis was told to stop"
    with contextlib.suppress(AutocellError):
        stops = [event.text for event in store.run(run).events if event.kind == "stop"]
        told = stops[-1] if stops else told
    return f"stopped: {told} ({str(error).removeprefix('stopped by ')})"


def _report(order: Order, store: Store, run: str) -> Path | None:
    """Write the report; a full disk must not hide what the run came to."""
    path = order.report or report_path(store, run)
    try:
        return write_report(store.run(run), order.description, path)
    except (OSError, AutocellError) as trouble:
        output.say(output.err(), f"The report could not be written: {trouble}", "yellow")
        return None

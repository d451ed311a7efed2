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
    with (
        stop_on_signals() as interrupts,
        open_bench(description, clock=RealClock()) as bench,
    ):
        interrupts.tell(bench.request_stop)
        yield bench


def conduct(order: Order, procedure: Callable[[Bench], Outcome]) -> Finished:
    """Record a run, open its bench, carry the procedure out, and write the report.

    Whatever ends the procedure is recorded, left in ``order.invocation`` and raised again. Once
    the outcome is fixed an interrupt changes nothing any more.
    """
    with Store.open(order.invocation.store) as store, stop_on_signals() as interrupts:
        for run in store.unfinished(order.description.name):
            output.say(output.err(), f"Run {run.id} on this bench broke off unfinished.", "yellow")
        journal: RunWriter | None = None
        error: BaseException | None = None
        bench: Bench | None = None
        try:
            with interrupts.held():  # a run that is begun is finished
                journal = _begin(order, store)
            clock = RealClock()
            with open_bench(order.description, clock=clock, journal=journal) as bench:
                interrupts.tell(bench.request_stop)
                for finding in bench.findings:
                    output.say(output.err(), f"Found: {finding}", "yellow")
                outcome = procedure(bench)
                interrupts.ignore()
        except BaseException as ended:
            interrupts.ignore()
            if journal is None:
                raise
            error, outcome = ended, _ended_by(ended, order, store, journal, bench)
        try:
            outcome = journal.finish(outcome)
        except StoreError as trouble:
            error = error or trouble
        order.invocation.outcome = outcome
        report = _report(order, store, journal.id)
    if error is not None:
        raise error
    return Finished(outcome, report)


def _begin(order: Order, store: Store) -> RunWriter:
    return store.begin(
        order.command, order.description, datetime.now(UTC), __version__, order.arguments
    )


def _ended_by(
    error: BaseException, order: Order, store: Store, journal: RunWriter, bench: Bench | None
) -> Outcome:
    """What a run came to that this error ended."""
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
        words = _stop_in_words(store, journal.id, error, bench is not None)
        outcome = replace(outcome, reason=words)
    return outcome


def _stop_in_words(store: Store, run: str, error: Stopped, opened: bool) -> str:
    """What the stop did, as the guard wrote it down."""
    if not opened:
        return f"{error}, while the bench was being opened; this run had moved nothing"
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

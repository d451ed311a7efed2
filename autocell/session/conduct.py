"""From a bench file to a finished run: claim, store, stop, bench, aftermath, outcome and report,
in that order.

The run is on disk before a port is opened, and says how it ended whatever happened.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Mapping
from contextlib import AbstractContextManager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from autocell import __version__
from autocell.bench.bench import Bench
from autocell.bench.opening import open_bench
from autocell.bench.stopping import Interrupts, stop_on_signals
from autocell.description import BenchDescription
from autocell.errors import (
    AutocellError,
    BudgetError,
    Busy,
    LimitError,
    ReadingError,
    Stopped,
    StoreError,
    ToldToEnd,
    Undecided,
)
from autocell.outcome import Outcome, Verdict
from autocell.records import TOLD_TO_END, RunWriter, Store
from autocell.session import aftermath, axis_memory
from autocell.session.claim import Ownership, claim
from autocell.session.reports import report_path, write_report
from autocell.session.safe import Lines, safe_first
from autocell.session.stops import Stops

Tell = Callable[[str], None]
Procedure = Callable[[Bench], Outcome]

_HELD = (Stopped, Busy, LimitError, BudgetError, ReadingError, Undecided)
"""After these the bench stands still and safe; after any other error the run has failed."""

_DEALINGS = {aftermath.DEMO: aftermath.close_demonstrations, "accept": aftermath.accept}
"""Commands that deal in a way of their own with what was left."""


def _silently(_text: str) -> None:
    """Tell nobody."""


@dataclass(frozen=True)
class Order:
    """What a run was asked to do, and where it is kept: ``store`` and ``report`` are by default
    the user's, and ``page`` says whether there is a report at all. ``tell`` gets what a watcher
    should know before the procedure begins. ``ownership`` is that of whoever owns the bench
    already. Who has a run ``taken_up_again`` starts anew what a signal to its process has ended:
    that run is left as a crash would leave it, with every axis stopped, and the next one undoes it.
    """

    command: str
    description: BenchDescription
    store: Path | None = None
    arguments: Mapping[str, Any] = field(default_factory=dict)
    report: Path | None = None
    page: bool = True
    tell: Tell = _silently
    lines: Lines = field(default_factory=Lines)
    ownership: Ownership | None = None
    taken_up_again: bool = False


@dataclass(frozen=True)
class Ended:
    """How a run ended: its outcome, under its id unless it could not be recorded; what ended it
    if that was an error, or what nobody may go on after; its report if that could be written.
    ``left_open``: it is to be taken up again, so that its outcome stands nowhere."""

    outcome: Outcome
    error: BaseException | None
    report: Path | None
    left_open: bool = False


def outcome_of(error: BaseException) -> Outcome:
    """What a run came to that ended with this error."""
    known = isinstance(error, (AutocellError, Stopped))
    kind = type(error).__name__
    sentence = str(error) if known else f"an unforeseen error ended this: {kind}: {error}"
    return Outcome(Verdict.HELD if isinstance(error, _HELD) else Verdict.FAILED, sentence)


def conduct(order: Order, procedure: Procedure) -> Ended:
    """Record a run, open its bench, deal with what the last one left, carry the procedure out,
    and write the report.

    Once the outcome is fixed an interrupt changes nothing any more: it is the ``error`` where this
    runs within another :func:`stop_on_signals`. Raises only what comes before the run is begun:
    Busy when somebody else has the bench, and StoreError, after which every axis was told to stop.
    """
    ended: Ended | None = None
    try:
        with (
            _owned(order) as ownership,
            stop_on_signals() as interrupts,
            contextlib.ExitStack() as at_the_end,
        ):
            ended = _Run(order, interrupts, ownership, at_the_end).carry_out(procedure)
    except Stopped as late:
        if ended is None:
            raise
        return replace(ended, error=late)
    return ended


def _owned(order: Order) -> AbstractContextManager[Ownership]:
    if order.ownership is not None:
        return contextlib.nullcontext(order.ownership)
    return claim(order.description, order.command)


@dataclass
class _Run:
    """One run while it lasts."""

    order: Order
    interrupts: Interrupts
    ownership: Ownership
    at_the_end: contextlib.ExitStack
    store: Store = field(init=False)
    stops: Stops = field(init=False)

    def __post_init__(self) -> None:
        self.stops = Stops(self.order.description, self.order.lines, self.interrupts)

    @property
    def bench(self) -> Bench | None:
        """Once it was open."""
        return self.stops.bench

    def carry_out(self, procedure: Procedure) -> Ended:
        journal: RunWriter | None = None
        error: BaseException | None = None
        try:
            with self.stops.heeded(self.ownership):
                self._open_store()
                with self.interrupts.held():  # a run that is begun is finished
                    journal = self._begin()
                outcome = self._on_the_bench(journal, procedure)
        except BaseException as ended:
            self.interrupts.ignore()
            if journal is None:
                raise
            error, outcome = ended, self._ended_by(ended, journal)
            if self._taken_up_again(ended):
                return self._left_open(journal, outcome)
        try:
            outcome = journal.finish(self._with_troubles(outcome))
        except StoreError as trouble:
            error = error or trouble
        return Ended(outcome, error, self._report(journal.id))

    def _taken_up_again(self, error: BaseException) -> bool:
        """Whether a signal that ends processes has ended this, and it shall go on with the next."""
        told_to_end = isinstance(error, Stopped) and self.interrupts.told_to_end
        return self.order.taken_up_again and told_to_end

    def _left_open(self, journal: RunWriter, outcome: Outcome) -> Ended:
        """Leave the run as a crash would, but say what has ended it."""
        time_s = 0.0 if self.bench is None else self.bench.time_s
        with contextlib.suppress(StoreError):
            journal.event(time_s, TOLD_TO_END, outcome.reason)
        outcome = outcome.with_run(journal.id)
        return Ended(outcome, ToldToEnd(outcome.reason), None, left_open=True)

    def _open_store(self) -> None:
        """Whatever waits for it can be stopped: from now on there is nothing to wait for."""
        order = self.order
        with safe_first(order.description, order.lines, owned=True):
            store = Store.open(order.store, utc=order.lines.utc)
            self.store = self.at_the_end.enter_context(store)
            store.wait_until_writable()

    def _begin(self) -> RunWriter:
        order = self.order
        with safe_first(order.description, order.lines, owned=True):
            return self.store.begin(
                order.command, order.description, order.lines.utc(), __version__, order.arguments
            )

    def _on_the_bench(self, journal: RunWriter, procedure: Procedure) -> Outcome:
        try:
            return self._with_open_bench(journal, procedure)
        finally:
            if self.bench is not None:
                axis_memory.remember(self.bench, self.store, journal)

    def _with_open_bench(self, journal: RunWriter, procedure: Procedure) -> Outcome:
        order, lines = self.order, self.order.lines
        with safe_first(order.description, lines, owned=True):
            description = axis_memory.with_measured_backlash(order.description, self.store)
            description = axis_memory.with_learned_steps(description, self.store)
        with open_bench(
            description, clock=lines.clock(), connect=lines.connect, journal=journal
        ) as bench:
            self.stops.opened(bench)
            axis_memory.vouch(bench, self.store)
            axis_memory.recall_steps(bench, self.store)
            axis_memory.keep_steps(bench, journal)
            for finding in bench.findings:
                order.tell(f"Found: {finding}")
            outcome = self._held_by_the_past(bench, journal) or procedure(bench)
            self.interrupts.ignore()
            for finding in bench.meter_findings:
                order.tell(f"Found: {finding}")
        return outcome

    def _held_by_the_past(self, bench: Bench, journal: RunWriter) -> Outcome | None:
        """What the run before left keeps this one from starting; None when it may start."""
        deal_with_it = _DEALINGS.get(self.order.command, aftermath.clear_up)
        found = deal_with_it(bench, self.store, journal)
        if found.line:
            self.order.tell(found.line)
            journal.event(bench.time_s, "aftermath", found.line)
        if found.held is None:
            return None
        return self._so_far(Outcome(found.held, found.line))

    def _ended_by(self, error: BaseException, journal: RunWriter) -> Outcome:
        """What a run came to that this error ended."""
        outcome = self._so_far(outcome_of(error))
        if isinstance(error, Stopped):
            return replace(outcome, reason=self._stop_in_words(journal.id, error))
        return outcome

    def _so_far(self, outcome: Outcome) -> Outcome:
        outcome = replace(outcome, wanted_passes=self.order.arguments.get("passes"))
        if self.bench is None:
            return outcome
        usage = self.bench.usage
        return replace(
            outcome,
            readings=usage.readings,
            moves=usage.moves,
            travel_m=usage.travel_m,
            elapsed_s=usage.elapsed_s,
        )

    def _with_troubles(self, outcome: Outcome) -> Outcome:
        """The same outcome with what it took to be understood by the instruments."""
        if self.bench is None:
            return outcome
        troubles = self.bench.troubles
        return replace(outcome, retries=troubles.retries, communication_errors=troubles.errors)

    def _stop_in_words(self, run: str, error: Stopped) -> str:
        """What the stop did, as the guard wrote it down."""
        if self.bench is None:
            return str(error)
        told = "every axis was told to stop"
        with contextlib.suppress(AutocellError):
            stops = [event.text for event in self.store.run(run).events if event.kind == "stop"]
            told = stops[-1] if stops else told
        return f"stopped: {told} ({str(error).removeprefix('stopped by ')})"

    def _report(self, run: str) -> Path | None:
        """Write the report; a full disk must not hide what the run came to."""
        if not self.order.page:
            return None
        path = self.order.report or report_path(self.store, run)
        try:
            return write_report(self.store.run(run), self.order.description, path)
        except (OSError, AutocellError) as trouble:
            self.order.tell(f"The report could not be written: {trouble}")
            return None

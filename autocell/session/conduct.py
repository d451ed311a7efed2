"""From a bench file to a finished run: claim, store, stop, bench, aftermath, outcome and report,
in that order.

The run is on disk before a port is opened, and says how it ended whatever happened.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator, Mapping
from contextlib import AbstractContextManager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from autocell import __version__
from autocell.bench.bench import Bench
from autocell.bench.flag import Flag
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
from autocell.session.claim import Ownership, Stop, claim
from autocell.session.reports import report_path, write_report
from autocell.session.safe import Lines, safe_first, stop_everything

Tell = Callable[[str], None]
Procedure = Callable[[Bench], Outcome]

_HELD = (Stopped, Busy, LimitError, BudgetError, ReadingError, Undecided)
"""After these the bench stands still and safe; after any other error the run has failed."""

_OWN_STOP_S = 0.2
"""How long the thread that moves gets to begin stopping before another thread does it."""

_STOP_S = 25.0
"""How long silent controllers may take, each asked again, until the stop is said to be lost."""


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
        with _owned(order) as ownership, stop_on_signals() as interrupts:
            with safe_first(order.description, order.lines, owned=True):
                store = Store.open(order.store, utc=order.lines.utc)
            with store:
                ended = _Run(order, store, interrupts, ownership).carry_out(procedure)
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
    store: Store
    interrupts: Interrupts
    ownership: Ownership
    bench: Bench | None = None
    _unopened: Mapping[str, str] | None = field(default=None, init=False)
    """Who did not confirm a stop that came before the bench was open; None if none came."""
    _known: Flag = field(default_factory=Flag, init=False)
    """Once the bench is open, or will not be: only then is there somebody to be told to stop."""

    def carry_out(self, procedure: Procedure) -> Ended:
        journal: RunWriter | None = None
        error: BaseException | None = None
        try:
            with self.ownership.stopping(self._stop_from_outside), self._stopped_unopened_too():
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
            self.bench = bench
            self._known.set()
            axis_memory.vouch(bench, self.store)
            axis_memory.recall_steps(bench, self.store)
            axis_memory.keep_steps(bench, journal)
            self.interrupts.tell(bench.request_stop)
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

    @contextlib.contextmanager
    def _stopped_unopened_too(self) -> Iterator[None]:
        """Within this a stop that comes before the bench is open has every axis told all the same:
        a run before may have left one moving, and whoever asked for the stop relies on it."""
        try:
            yield
        except Stopped:
            if self.bench is None:
                self._unopened = self._told_unopened()
            raise
        finally:
            self._known.set()

    def _told_unopened(self) -> Mapping[str, str]:
        """Open the bench for nothing but a stop; who did not confirm it."""
        try:
            failures = stop_everything(self.order.description, self.order.lines)
        except AutocellError as trouble:
            return {"every axis": f"the bench could not be opened to tell it: {trouble}"}
        return {name: str(error) for name, error in failures.items()}

    def _stop_in_words(self, run: str, error: Stopped) -> str:
        """What the stop did, as the guard wrote it down."""
        if self.bench is None:
            silent = "; ".join(f"{name}: {why}" for name, why in (self._unopened or {}).items())
            told = f"but not all confirmed it: {silent}" if silent else "this run had moved nothing"
            return f"{error}, before the bench was open; every axis was told to stop, {told}"
        told = "every axis was told to stop"
        with contextlib.suppress(AutocellError):
            stops = [event.text for event in self.store.run(run).events if event.kind == "stop"]
            told = stops[-1] if stops else told
        return f"stopped: {told} ({str(error).removeprefix('stopped by ')})"

    def _stop_from_outside(self, by: str) -> Stop:
        """Stop what is under way, from another thread.

        The thread that moves is interrupted, whatever it waits for. Should it not come to stop
        the axes by itself, as when it is deep in a calculation, this thread tells them. While the
        bench is being opened nobody can: it is waited until it is open, or that was given up.
        """
        asked = self.interrupts.ask(by)
        if not self._known.wait(_STOP_S):
            return Stop(told=False, unconfirmed={"every axis": f"nothing within {_STOP_S:g} s"})
        bench = self.bench
        if bench is None:
            never = {"every axis": "the bench could not be opened"}
            return Stop(asked, never if self._unopened is None else self._unopened)
        bench.request_stop()
        failures = bench.stop_told(_STOP_S) if bench.stop_begun(_OWN_STOP_S) else bench.stop()
        if failures is None:
            return Stop(told=False, unconfirmed={"every axis": f"nothing within {_STOP_S:g} s"})
        return Stop(told=True, unconfirmed={name: str(e) for name, e in failures.items()})

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

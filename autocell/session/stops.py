"""How a stop reaches every axis of a bench, from before it is opened until it is closed."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager

from autocell.bench.bench import Bench
from autocell.bench.flag import Flag
from autocell.bench.stopping import Interrupts
from autocell.description import BenchDescription
from autocell.errors import AutocellError, Stopped
from autocell.session.claim import Ownership, Stop
from autocell.session.safe import Lines, stop_everything

_OWN_STOP_S = 0.2
"""How long the thread that moves gets to begin stopping before another thread does it."""

_STOP_S = 25.0
"""How long silent controllers may take, each asked again, until the stop is said to be lost."""


class Stops:
    """The stops of one bench that this process owns, while it is used.

    One that comes before the bench is open, as while a locked run store is waited for, has it
    opened for nothing else: this process has moved nothing yet, but a run before may have left an
    axis moving, and whoever asked for the stop relies on it.
    """

    def __init__(self, description: BenchDescription, lines: Lines, interrupts: Interrupts) -> None:
        self.bench: Bench | None = None
        self._description = description
        self._lines = lines
        self._interrupts = interrupts
        self._unconfirmed: Mapping[str, str] | None = None
        self._known = Flag()
        """Once the bench is open, or will not be: only then is there somebody to be told."""

    def opened(self, bench: Bench) -> None:
        """From now on ``bench`` is there to be told."""
        self.bench = bench
        self._known.set()
        self._interrupts.tell(bench.request_stop)

    @contextmanager
    def heeded(self, ownership: Ownership) -> Iterator[None]:
        """Within this every axis is told of a stop, wherever it comes from. Those of an open bench
        are told by :func:`autocell.bench.opening.open_bench` when Stopped passes through it."""
        with ownership.stopping(self._from_outside):
            try:
                yield
            except Stopped as stop:
                if self.bench is not None:
                    raise
                raise type(stop)(f"{stop}, before the bench was open; {self._tell()}") from stop
            finally:
                self._known.set()

    def _tell(self) -> str:
        """Open the bench for nothing but a stop; what came of it, in words."""
        try:
            failures = stop_everything(self._description, self._lines)
        except AutocellError as trouble:
            self._unconfirmed = {"every axis": f"the bench could not be opened for it: {trouble}"}
        else:
            self._unconfirmed = {name: str(error) for name, error in failures.items()}
        if not self._unconfirmed:
            return "every axis was told to stop, this run had moved nothing"
        silent = "; ".join(f"{name}: {why}" for name, why in self._unconfirmed.items())
        return f"every axis was told to stop, but not all confirmed it: {silent}"

    def _from_outside(self, by: str) -> Stop:
        """Stop what is under way, from another thread.

        The thread that moves is interrupted, whatever it waits for. Should it not come to stop
        the axes by itself, as when it is deep in a calculation, this thread tells them. While the
        bench is being opened nobody can: it is waited until it is open, or that was given up.
        """
        asked = self._interrupts.ask(by)
        if not self._known.wait(_STOP_S):
            return Stop(told=False, unconfirmed={"every axis": f"nothing within {_STOP_S:g} s"})
        bench = self.bench
        if bench is None:
            never = {"every axis": "the bench could not be opened"}
            return Stop(asked, never if self._unconfirmed is None else self._unconfirmed)
        bench.request_stop()
        failures = bench.stop_told(_STOP_S) if bench.stop_begun(_OWN_STOP_S) else bench.stop()
        if failures is None:
            return Stop(told=False, unconfirmed={"every axis": f"nothing within {_STOP_S:g} s"})
        return Stop(told=True, unconfirmed={name: str(e) for name, e in failures.items()})

"""Shows that a run is alive also while nothing is told of it: on a long way, while it undoes what
it did, while an instrument is waited for."""

from __future__ import annotations

import threading
from collections.abc import Callable

from autocell.bench.protocols import Clock


class Pulse:
    """One run. ``alive`` is called with what was said last each time that the run has waited by its
    clock, which it does again and again wherever it moves, reads or asks.

    Whoever hangs waits by no clock, or for ever. So that counts no longer than ``patience_s`` after
    the run last said something, and only in the thread that carries it out.
    """

    def __init__(self, alive: Callable[[str], None], doing: str, clock: Clock, patience_s: float):
        self._alive = alive
        self._clock = clock
        self._patience_s = patience_s
        self._thread = threading.get_ident()
        self.say(doing)

    def say(self, doing: str) -> None:
        """The run has come this far."""
        self._doing, self._said_s = doing, self._clock.now()
        self._alive(doing)

    def now(self) -> float:
        """What the run's clock shows."""
        return self._clock.now()

    def sleep(self, seconds: float) -> None:
        """Wait by the run's clock, and show that somebody has."""
        self._clock.sleep(seconds)
        patient = self._clock.now() - self._said_s <= self._patience_s
        if patient and threading.get_ident() == self._thread:
            self._alive(self._doing)

"""Turns the operator's interrupt into a stop."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

from autocell.errors import Stopped

_NAMES = ("SIGINT", "SIGTERM", "SIGHUP")  # the last where a terminal can hang up
_SIGNALS = tuple(getattr(signal, name) for name in _NAMES if hasattr(signal, name))


class Interrupts:
    """What becomes of interrupts: the first raises Stopped, later ones are ignored."""

    def __init__(self) -> None:
        self._asked = False
        self._holding = False
        self._held: Stopped | None = None

    def receive(self, number: int, _frame: FrameType | None) -> None:
        """Handle one signal."""
        if self._asked:
            return
        self._asked = True
        stopped = Stopped(f"stopped by {signal.Signals(number).name}")
        if self._holding:
            self._held = stopped
            return
        raise stopped

    @contextmanager
    def held(self) -> Iterator[None]:
        """Within this an interrupt waits; it raises Stopped at the end."""
        self._holding = True
        try:
            yield
        finally:
            self._holding = False
        if self._held is not None:
            held, self._held = self._held, None
            raise held

    def ignore(self) -> None:
        """From now on nothing is left that an interrupt should stop."""
        self._asked = True


@contextmanager
def stop_on_signals() -> Iterator[Interrupts]:
    """Within this, the first SIGINT, SIGTERM or SIGHUP raises Stopped in the main thread.

    Put it around :func:`autocell.bench.opening.open_bench`, which stops every axis when Stopped
    passes through. Further signals are ignored until this ends: a stop that the first one breaks
    off, because it was already under way for another reason, can be made again in peace. Outside
    the main thread, where Python delivers no signals, it changes nothing.
    """
    interrupts = Interrupts()
    if threading.current_thread() is not threading.main_thread():
        yield interrupts
        return
    before = {number: signal.signal(number, interrupts.receive) for number in _SIGNALS}
    try:
        yield interrupts
    finally:
        interrupts.ignore()
        for number, handler in before.items():
            signal.signal(number, handler)

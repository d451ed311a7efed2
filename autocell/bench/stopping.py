"""Turns the operator's interrupt into a stop."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

from autocell.errors import Stopped

_SIGNALS = (signal.SIGINT, signal.SIGTERM)


@contextmanager
def stop_on_signals() -> Iterator[None]:
    """Within this, the first SIGINT or SIGTERM raises Stopped in the main thread.

    Put it around :func:`autocell.bench.opening.open_bench`, which stops every axis when Stopped
    passes through. Further signals are ignored until this ends, so that nothing interrupts the
    stopping. Outside the main thread, where Python delivers no signals, it changes nothing.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    asked = False

    def stop(number: int, _frame: FrameType | None) -> None:
        nonlocal asked
        if not asked:
            asked = True
            raise Stopped(f"stopped by {signal.Signals(number).name}")

    before = {number: signal.signal(number, stop) for number in _SIGNALS}
    try:
        yield
    finally:
        asked = True
        for number, handler in before.items():
            signal.signal(number, handler)

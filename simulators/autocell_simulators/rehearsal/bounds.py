"""A rehearsal ends, whatever goes wrong in it: it has so much bench time and so much computing."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

from autocell.bench.clock import VirtualClock


class TookTooLong(BaseException):
    """A rehearsal has used up its time. No ``Exception``, so that no procedure carries on."""


@contextmanager
def bounded(clock: VirtualClock, bench_s: float, cpu_s: float) -> Iterator[None]:
    """Within this, TookTooLong is raised, once, when the clock passes ``bench_s`` or this process
    has computed for ``cpu_s``: the latter in the main thread, and where there are such timers."""

    late = False

    def too_late(now_s: float) -> None:
        nonlocal late
        if now_s > bench_s and not late:
            late = True  # what is done on the way out takes its time too
            raise TookTooLong(f"not ended after {bench_s / 3600.0:.1f} hours of bench time")

    clock.on_advance.append(too_late)
    try:
        with _computing(cpu_s):
            yield
    finally:
        clock.on_advance.remove(too_late)


@contextmanager
def _computing(cpu_s: float) -> Iterator[None]:
    def too_much(_number: int, _frame: FrameType | None) -> None:
        raise TookTooLong(f"not ended after {cpu_s:g} s of computing")

    has_timer = hasattr(signal, "setitimer")
    if not has_timer or threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGVTALRM, too_much)
    signal.setitimer(signal.ITIMER_VIRTUAL, cpu_s)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_VIRTUAL, 0.0)
        signal.signal(signal.SIGVTALRM, before)

"""The machine's clock and a virtual one."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable


class RealClock:
    """Monotonic seconds of this machine."""

    def now(self) -> float:
        """Seconds since an arbitrary start."""
        return time.monotonic()

    def sleep(self, seconds: float) -> None:
        """Wait for ``seconds``; none at all if they are not positive."""
        if seconds > 0.0:
            time.sleep(seconds)


class VirtualClock:
    """Time that passes only when somebody sleeps, so that a night takes seconds.

    ``on_advance`` is called after each step with the new time: a simulated bench uses it to move.
    """

    def __init__(self) -> None:
        self._now = 0.0
        # Axes of several devices are stopped at the same time, each from a thread of its own.
        self._one_at_a_time = threading.RLock()
        self.on_advance: list[Callable[[float], None]] = []

    def now(self) -> float:
        """Seconds since the clock was made."""
        return self._now

    def sleep(self, seconds: float) -> None:
        """Advance by ``seconds``, at once."""
        if seconds > 0.0:
            with self._one_at_a_time:
                self._now += seconds
                for listener in self.on_advance:
                    listener(self._now)

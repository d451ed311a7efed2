"""A flag that may be set where a signal can come at any moment, the handler of one included."""

from __future__ import annotations

import time

_LOOK_S = 0.005
"""How often whoever waits looks."""


class Flag:
    """As :class:`threading.Event`, with no lock inside.

    The lock of one is taken while it is set: a signal handler that sets it too would wait for the
    thread that it interrupts, and what a handler raises there can leave the lock taken for ever.
    Who waits for this looks at it instead.
    """

    def __init__(self) -> None:
        self._is_set = False

    def is_set(self) -> bool:
        """Whether it is."""
        return self._is_set

    def set(self) -> None:
        """Set it, again or for the first time."""
        self._is_set = True

    def clear(self) -> None:
        """Take it back."""
        self._is_set = False

    def wait(self, within_s: float) -> bool:
        """Wait until it is set; whether that was ``within_s``."""
        until = time.monotonic() + within_s
        while not self._is_set and time.monotonic() < until:
            time.sleep(_LOOK_S)
        return self._is_set

"""What has arrived on a line and was not read yet."""

from __future__ import annotations

import time
from collections.abc import Callable

from autocell.bench.protocols import Clock
from autocell.errors import NoReply

_LONGEST_WAIT_S = 0.05
LONGEST_DISCARD_S = 0.1
"""How long what arrives is thrown away at most: some instruments never stop talking."""


class Inbox:
    """Bytes of a stream, handed out one terminated message at a time."""

    def __init__(self) -> None:
        self._waiting = bytearray()
        self._interruptions = 0

    def read_until(
        self,
        terminator: bytes,
        deadline: float,
        clock: Clock,
        receive: Callable[[float], bytes],
        address: str,
    ) -> bytes:
        """The next message, without its terminator.

        ``receive`` waits for at most the given seconds and returns what came, perhaps nothing.
        Bytes of an unfinished message stay in the inbox. Raises NoReply at the deadline, but not
        for what has come by then and was not looked at because this process was kept waiting; and
        when another thread interrupts it.
        """
        # A clock that stands still while a real line is waited for must not mean for ever.
        patience_ends = time.monotonic() + max(0.0, deadline - clock.now())
        last_look_ends = patience_ends + LONGEST_DISCARD_S
        interruptions = self._interruptions
        while (end := self._waiting.find(terminator)) < 0:
            left = min(deadline - clock.now(), patience_ends - time.monotonic())
            came = receive(min(max(left, 0.0), _LONGEST_WAIT_S))
            self._waiting += came
            if self._interruptions != interruptions:
                raise NoReply(
                    f"{address} was not waited for any longer: another thread has to stop"
                )
            if left <= 0.0 and (not came or time.monotonic() > last_look_ends):
                raise NoReply(self._silence(terminator, address))
        message = bytes(self._waiting[:end])
        del self._waiting[: end + len(terminator)]
        return message

    def interrupt(self) -> None:
        """Have another thread that waits in :meth:`read_until` give up at its next look."""
        self._interruptions += 1

    def discard(self) -> int:
        """Forget everything; how many bytes that was."""
        count = len(self._waiting)
        self._waiting.clear()
        return count

    def _silence(self, terminator: bytes, address: str) -> str:
        if not self._waiting:
            return f"{address} stayed silent; is the instrument on, and is this its line?"
        return (
            f"{address} sent {bytes(self._waiting[:60])!r} but not the end of a message "
            f"({terminator!r}); do the reply ending and the baud rate match the instrument?"
        )

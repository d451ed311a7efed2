"""A controller that answers at once: what it keeps of a command until that is whole, and of answers
until they are taken."""

from __future__ import annotations


class AnswersAtOnce:
    """Bytes that have come and are no command yet, and bytes that are ready and not taken yet."""

    __slots__ = ("_buffer", "_ready")

    def __init__(self) -> None:
        self._buffer = self._ready = b""

    @property
    def next_s(self) -> float | None:
        """Always None: this controller answers at once."""
        return None

    def advance(self, now_s: float) -> None:
        """Nothing here waits for time."""

    def take(self) -> bytes:
        """The replies that were not taken yet."""
        ready, self._ready = self._ready, b""
        return ready

    def hang_up(self) -> None:
        """The client is gone: forget half a command, and replies that nobody will read."""
        self._buffer = self._ready = b""

"""A controller that answers lines of text, one by one: bytes in, bytes out, no I/O, no clock."""

from __future__ import annotations

from abc import ABC, abstractmethod
from typing import ClassVar

LONGEST_LINE = 64
"""A command of more bytes than this is none."""


class AsciiLines(ABC):
    """Cuts what comes in into commands, and keeps the answers until they are taken.

    The axes and outputs of the controller have been advanced to the present before it is fed.
    """

    __slots__ = ("_buffer", "_ready")

    command_ending: ClassVar[bytes]
    message_endings: ClassVar[bytes]
    """A command or a reply ends with any of these bytes, for whoever stands on the line between."""

    def __init__(self) -> None:
        self._buffer = self._ready = b""

    @property
    def next_s(self) -> float | None:
        """Always None: this controller answers at once."""
        return None

    def advance(self, now_s: float) -> None:  # noqa: B027 - none of these controllers waits
        """Nothing here waits for time."""

    def take(self) -> bytes:
        """The replies that were not taken yet."""
        ready, self._ready = self._ready, b""
        return ready

    def feed(self, data: bytes, now_s: float) -> None:
        """Carry out the commands that ``data`` completes."""
        *lines, self._buffer = (self._buffer + data).split(self.command_ending)
        if len(self._buffer) > LONGEST_LINE:
            self._buffer = self._buffer[: LONGEST_LINE + 1]  # enough to know it is too long
        self._ready += b"".join(self._answer(line) for line in lines)

    def hang_up(self) -> None:
        """The client is gone: forget half a command, and replies that nobody will read."""
        self._buffer = self._ready = b""

    @abstractmethod
    def _answer(self, line: bytes) -> bytes:
        """Carry out a command; all that comes back for it, endings included."""

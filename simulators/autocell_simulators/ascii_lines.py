"""A controller that answers lines of text, one by one: bytes in, bytes out, no I/O, no clock."""

from __future__ import annotations

from abc import ABC, abstractmethod
from typing import ClassVar

from autocell_simulators.answers import AnswersAtOnce

LONGEST_LINE = 64
"""A command of more bytes than this is none."""


class AsciiLines(AnswersAtOnce, ABC):
    """Cuts what comes in into commands, and answers each.

    The axes and outputs of the controller have been advanced to the present before it is fed.
    """

    __slots__ = ()

    command_ending: ClassVar[bytes]
    message_endings: ClassVar[bytes]
    """A command or a reply ends with any of these bytes, for whoever stands on the line between."""

    def feed(self, data: bytes, now_s: float) -> None:
        """Carry out the commands that ``data`` completes."""
        *lines, self._buffer = (self._buffer + data).split(self.command_ending)
        if len(self._buffer) > LONGEST_LINE:
            self._buffer = self._buffer[: LONGEST_LINE + 1]  # enough to know it is too long
        self._ready += b"".join(self._answer(line) for line in lines)

    @abstractmethod
    def _answer(self, line: bytes) -> bytes:
        """Carry out a command; all that comes back for it, endings included."""

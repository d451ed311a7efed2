"""What an IEEE 488.2 instrument remembers of errors and events."""

from __future__ import annotations

from collections import deque

from autocell_simulators.scpi_syntax import MESSAGES, ScpiError

# standard event status register and status byte, IEEE 488.2-1992, clause 11 [mem]
COMPLETE, EXECUTION_ERROR, COMMAND_ERROR, POWER_ON = 1, 16, 32, 128
ERROR_QUEUE, MESSAGE_AVAILABLE, EVENT_SUMMARY, MASTER_SUMMARY = 4, 16, 32, 64
_QUEUE_LENGTH = 20


class Status:
    """Error queue, event register and their enable masks."""

    __slots__ = ("_errors", "_events", "event_enable", "operation_enable", "questionable_enable",
                 "request_enable")  # fmt: skip

    def __init__(self) -> None:
        self._errors: deque[int] = deque()
        self._events = POWER_ON
        self.event_enable = 0
        self.request_enable = 0
        self.operation_enable = 0
        self.questionable_enable = 0

    @property
    def errors(self) -> int:
        """How many errors wait to be read."""
        return len(self._errors)

    def fail(self, error: ScpiError) -> None:
        """Queue an error; in a full queue the last entry says that others were lost."""
        self.note(COMMAND_ERROR if error.number > -200 else EXECUTION_ERROR)
        if len(self._errors) < _QUEUE_LENGTH:
            self._errors.append(error.number)
        else:
            self._errors[-1] = -350

    def note(self, event: int) -> None:
        """Set an event."""
        self._events |= event

    def next_error(self) -> str:
        """The oldest error, taken out of the queue, as the instrument says it."""
        error = self._errors.popleft() if self._errors else 0
        return f'{error},"{MESSAGES[error]}"'

    def take_events(self) -> int:
        """The event register, which reading clears."""
        events, self._events = self._events, 0
        return events

    def byte(self, *, message_available: bool) -> int:
        """The status byte."""
        byte = ERROR_QUEUE * bool(self._errors) | MESSAGE_AVAILABLE * message_available
        byte |= EVENT_SUMMARY * bool(self._events & self.event_enable)
        return byte | MASTER_SUMMARY * bool(byte & self.request_enable)

    def preset(self) -> None:
        """Enable masks of the SCPI registers as after power-on (STATus:PRESet)."""
        self.operation_enable = self.questionable_enable = 0

    def clear(self) -> None:
        """Forget errors and events; masks stay."""
        self._errors.clear()
        self._events = 0

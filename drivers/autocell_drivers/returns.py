"""A line that goes and comes back, and who is at its end then."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

from autocell.bench.protocols import Clock, Transport
from autocell.errors import AutocellError, BadReply, Busy, Disconnected, NoReply, WrongIdentity
from autocell_drivers.lasting_line import LastingLine

T = TypeVar("T")

_BETWEEN_REOPENINGS_S = 0.25


class Returns:
    """Waits for a :class:`LastingLine` that has gone, and opens it again.

    Nothing is said on it before the instrument that is ``expected`` has answered, as ``meet`` finds
    out, and each of the ``checks`` has looked whether it is still set as it was.
    """

    def __init__(
        self, transport: Transport, clock: Clock, meet: Callable[[str | None], str]
    ) -> None:
        self._transport = transport
        self._clock = clock
        self._meet = meet
        self._returning = False
        self._told: list[str] = []
        self.expected: str | None = None
        self.checks: list[Callable[[], None]] = []
        self.times_gone = 0

    @property
    def notes(self) -> tuple[str, ...]:
        """When the line was gone, and for how long."""
        return tuple(self._told)

    def outlasting(self, say: Callable[[], T], patience_s: float | None = None) -> T:
        """Do what may be done twice, also when the line goes in the middle of it.

        Waits as long as the line says, or ``patience_s``. Raises Disconnected when it does not come
        back in time, WrongIdentity when another instrument does, and what a check raises.
        """
        try:
            return say()
        except Disconnected as gone:
            self.times_gone += 1
            line = self._transport
            if self._returning or not isinstance(line, LastingLine) or not line.can_return:
                raise
            self._come_back(line, gone, patience_s)
        return say()

    def _come_back(self, line: LastingLine, gone: Disconnected, patience_s: float | None) -> None:
        left_s = self._clock.now()
        deadline = left_s + (line.patience_s if patience_s is None else patience_s)
        self._returning = True
        try:
            while True:
                try:
                    line.reopen()
                    self._see_who_is_there(line.address)
                    break
                except (Disconnected, NoReply, BadReply, Busy) as error:
                    line.drop()
                    if self._clock.now() >= deadline:
                        raise Disconnected(f"{gone}; it has not come back: {error}") from error
                self._clock.sleep(_BETWEEN_REOPENINGS_S)
        except AutocellError:
            line.drop()
            raise
        finally:
            self._returning = False
        away_s = self._clock.now() - left_s
        self._told.append(f"{line.address} was gone for {away_s:.1f} s and is as it was")

    def _see_who_is_there(self, address: str) -> None:
        found = self._meet(self.expected)
        if found != self.expected:
            raise WrongIdentity(
                f"{address} was {self.expected!r}, and after it had gone answers as {found!r}; "
                "which instrument is plugged in where?"
            )
        for check in self.checks:
            check()

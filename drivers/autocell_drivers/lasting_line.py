"""A line that can be opened again after it has gone, by the same address."""

from __future__ import annotations

import os

from autocell.bench.protocols import Clock, Connect, Interruptible, Line
from autocell.errors import Disconnected

RECONNECT_S = 60.0
"""How long a line that has gone is waited for: an adapter that the system resets is back within
seconds, somebody who stumbled over a cable within a minute. [trade]"""


def names_the_instrument(address: str) -> bool:
    """Whether an address leads to the same instrument after it was unplugged.

    ``/dev/ttyUSB0`` does not: it is the next port's name as soon as it is free. A link to it, such
    as ``/dev/serial/by-id/…`` or one of the laboratory's own, is kept up by the system, and so are
    a ``serial-number:…``, a USB resource and a network address.
    """
    device = address.split("::")[0].removeprefix("ASRL")
    return not device.startswith("/") or os.path.islink(device)


class LastingLine:
    """A transport that :meth:`reopen` replaces by a new one to the same address.

    Whoever reopens it must ask who is there before anything else is said. Raises what ``connect``
    raises.
    """

    def __init__(
        self, connect: Connect, address: str, line: Line, patience_s: float = RECONNECT_S
    ) -> None:
        self._connect = connect
        self._line = line
        self._transport = connect(address, line)
        self._closed_for_good = False
        self.address = address
        self.patience_s = patience_s
        self.can_return = names_the_instrument(address)

    @property
    def clock(self) -> Clock:
        """The clock of the deadlines."""
        return self._line.clock

    def write(self, message: bytes) -> None:
        """Send all of ``message``. Raises Disconnected, or NoReply if the line stays blocked."""
        self._transport.write(message)

    def read_until(self, terminator: bytes, deadline: float) -> bytes:
        """The next message, without its terminator. Raises NoReply or Disconnected."""
        return self._transport.read_until(terminator, deadline)

    def discard_input(self) -> int:
        """Throw away all that has arrived and was not read; how many bytes that was."""
        return self._transport.discard_input()

    def interrupt(self) -> None:
        """Have another thread that waits for a message give up, where the line can."""
        if isinstance(self._transport, Interruptible):
            self._transport.interrupt()

    def reopen(self) -> None:
        """Let go of what is left of the line and open it anew, once.

        Raises Disconnected when nobody is there yet, or after :meth:`close`; Busy when somebody
        else was quicker.
        """
        if self._closed_for_good:
            raise Disconnected(f"{self.address} has been closed by this program")
        self._transport.close()
        self._transport = self._connect(self.address, self._line)

    def drop(self) -> None:
        """Let go of the line until it is reopened."""
        self._transport.close()

    def close(self) -> None:
        """Let go of the line for good. Harmless twice."""
        self._closed_for_good = True
        self._transport.close()

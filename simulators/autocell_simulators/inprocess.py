"""The simulated bench without a wire: a transport onto its lines, on whatever clock it has."""

from __future__ import annotations

import re

from autocell.bench.protocols import Clock, Connect, Transport
from autocell.bench.protocols import Line as LineSettings
from autocell.errors import Busy, Disconnected, NoReply
from autocell_simulators.bench import SimulatedBench
from autocell_simulators.lines import Line

_SHORTEST_WAIT_S = 1e-9


def connector(bench: SimulatedBench) -> Connect:
    """What opens the addresses of the bench file on this bench, each for one owner at a time.

    A port that came back under another name has the next number in its address; a link by
    identity (``by-id`` in the address) leads to it whatever its name.
    """
    addresses, owned = bench.addresses, set[str]()

    def connect(address: str, line: LineSettings) -> Transport:
        there = {
            _renamed(addresses[name], line.port.renamed): line
            for name, line in bench.lines.items()
            if line.port.plugged_in
        }
        if address not in there:
            raise Disconnected(
                f"{address}: nothing there; the simulated bench has "
                f"{', '.join(sorted(there)) or 'nothing plugged in'}"
            )
        if address in owned:
            raise Busy(f"{address}: already open in this process")
        owned.add(address)
        return InProcessTransport(address, there[address], line.clock, owned)

    return connect


def _renamed(address: str, times: int) -> str:
    if not times or "by-id" in address:
        return address
    return re.sub(r"\d+(?=\D*$)", lambda number: str(int(number[0]) + times), address)


class InProcessTransport:
    """One opened address. Waiting for a reply lets the clock sleep until it is due."""

    def __init__(self, address: str, line: Line, clock: Clock, owned: set[str]) -> None:
        self._address = address
        self._line = line
        self._clock = clock
        self._owned = owned
        self._inbox = b""
        self._open = True
        self._unplugged = line.port.unplugged

    def write(self, message: bytes) -> None:
        """Send all of ``message``. Raises Disconnected, also after :meth:`close`."""
        self._check_open()
        self._line.feed(message)

    def read_until(self, terminator: bytes, deadline: float) -> bytes:
        """The next message without its terminator. Raises NoReply, Disconnected."""
        self._check_open()
        while True:
            self._inbox += self._line.take()
            self._check_open()
            message, found, rest = self._inbox.partition(terminator)
            if found:
                self._inbox = rest
                return message
            now_s, next_s = self._clock.now(), self._line.next_s
            if deadline - now_s < _SHORTEST_WAIT_S:
                raise NoReply(
                    f"{self._address}: no reply in time ({len(self._inbox)} bytes of one)"
                )
            self._clock.sleep((deadline if next_s is None else min(next_s, deadline)) - now_s)

    def discard_input(self) -> int:
        """Throw away what has arrived by now; how many bytes."""
        self._check_open()
        dropped = len(self._inbox + self._line.take())
        self._inbox = b""
        return dropped

    def close(self) -> None:
        """Let go of the line. Harmless twice."""
        if self._open:
            self._open = False
            self._line.hang_up()
            self._owned.discard(self._address)

    def _check_open(self) -> None:
        if not self._open:
            raise Disconnected(f"{self._address}: closed")
        if self._line.port.unplugged != self._unplugged:
            self._line.hang_up()
            raise Disconnected(f"{self._address}: the port has disappeared")

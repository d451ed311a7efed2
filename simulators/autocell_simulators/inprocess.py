"""The simulated bench without a wire: a transport onto its lines, on whatever clock it has."""

from __future__ import annotations

from autocell.bench.protocols import Clock, Connect, Transport
from autocell.bench.protocols import Line as LineSettings
from autocell.errors import Busy, Disconnected, NoReply
from autocell_simulators.bench import SimulatedBench
from autocell_simulators.lines import Line

_SHORTEST_WAIT_S = 1e-9


def connector(bench: SimulatedBench) -> Connect:
    """What opens the addresses of the bench file on this bench, each for one owner at a time."""
    lines = {bench.description.devices[name].address: line for name, line in bench.lines.items()}
    owned: set[str] = set()

    def connect(address: str, line: LineSettings) -> Transport:
        if address not in lines:
            raise Disconnected(
                f"{address}: nothing there; the simulated bench has {', '.join(sorted(lines))}"
            )
        if address in owned:
            raise Busy(f"{address}: already open in this process")
        owned.add(address)
        return InProcessTransport(address, lines[address], line.clock, owned)

    return connect


class InProcessTransport:
    """One opened address. Waiting for a reply lets the clock sleep until it is due."""

    def __init__(self, address: str, line: Line, clock: Clock, owned: set[str]) -> None:
        self._address = address
        self._line = line
        self._clock = clock
        self._owned = owned
        self._inbox = b""
        self._open = True

    def write(self, message: bytes) -> None:
        """Send all of ``message``. Raises Disconnected after :meth:`close`."""
        self._check_open()
        self._line.feed(message)

    def read_until(self, terminator: bytes, deadline: float) -> bytes:
        """The next message without its terminator. Raises NoReply, Disconnected."""
        self._check_open()
        while True:
            self._inbox += self._line.take()
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

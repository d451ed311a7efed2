"""A line that fails, in front of anybody's instrument: ``python -m autocell_simulators.proxy``.

Clients open the proxy's address instead of the instrument's, which may be a TCP port or a serial
port. What passes fails as a scenario says, with the faults of lines alone: it knows neither what
the instrument is nor what is said to it, only the bytes with which a message ends.
"""

from __future__ import annotations

import dataclasses
import json
import math
import re
import socket
import sys
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Any, Protocol

import click
import serial

from autocell.bench.clock import RealClock
from autocell.bench.protocols import Clock
from autocell.errors import UsageError
from autocell_simulators.faults.director import Director, Entry, Event
from autocell_simulators.faults.fault import Rig
from autocell_simulators.faults.scenario import Scenario, entry, load
from autocell_simulators.lines import PortState
from autocell_simulators.ports import LOOPBACK, PseudoTerminal, TcpPort, running
from autocell_simulators.wire import ENDINGS, Wire

_CHUNK = 4096
_CONNECT_WITHIN_S = _TAKES_WITHIN_S = 5.0
_LINGER_S = 1.0
"""A client that has finished sending may wait so long for what is still to come. [trade]"""
_TCP = re.compile(r"(?:TCPIP\d*::|(?:socket|tcp)://)?(?P<host>[^:/]+)(?:::|:)(?P<port>\d+)"
                  r"(?:::SOCKET)?", re.I)  # fmt: skip


class Upstream(Protocol):
    """An opened instrument: nothing in it waits."""

    def fileno(self) -> int:
        """What becomes readable."""
        ...

    def send(self, data: bytes) -> None:
        """Raises OSError when it is gone."""
        ...

    def receive(self) -> bytes:
        """What has come by now. Raises OSError when it is gone."""
        ...

    def close(self) -> None:
        """Let go of it."""
        ...


class _TcpUpstream:
    def __init__(self, host: str, port: int) -> None:
        self._socket = socket.create_connection((host, port), _CONNECT_WITHIN_S)
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._socket.setblocking(False)

    def fileno(self) -> int:
        return self._socket.fileno()

    def send(self, data: bytes) -> None:
        self._socket.settimeout(_TAKES_WITHIN_S)
        try:
            self._socket.sendall(data)
        finally:
            self._socket.setblocking(False)

    def receive(self) -> bytes:
        try:
            data = self._socket.recv(_CHUNK)
        except BlockingIOError:
            return b""
        if not data:
            raise ConnectionResetError("the instrument has closed the connection")
        return data

    def close(self) -> None:
        self._socket.close()


class _SerialUpstream:
    def __init__(self, path: str, baud: int) -> None:
        self._port = serial.Serial(path, baud, timeout=0)

    def fileno(self) -> int:
        return int(self._port.fileno())

    def send(self, data: bytes) -> None:
        self._port.write(data)

    def receive(self) -> bytes:
        return bytes(self._port.read(_CHUNK))

    def close(self) -> None:
        self._port.close()


class ProxiedLine:
    """The line to another instrument, opened when a client has something to say to it."""

    def __init__(
        self, address: str, wire: Wire, director: Director, clock: Clock, baud: int
    ) -> None:
        self.wire = wire
        self.director = director
        self._address = address
        self._baud = baud
        self._clock = clock
        self._upstream: Upstream | None = None
        self._stirred_s = clock.now()
        self._lock = threading.RLock()

    @contextmanager
    def present(self) -> Iterator[float]:
        """Hold the line still at the present; the time."""
        with self._lock:
            now_s = self._clock.now()
            self.director.advance(now_s)
            yield now_s

    def feed(self, data: bytes) -> None:
        """Bytes from the client."""
        with self.present() as now_s, self._broken_for_all():
            self._stirred_s = now_s
            passed = self.wire.from_client(data)
            if self._upstream is None:
                self._upstream = _opened(self._address, self._baud)
            if passed:
                self._upstream.send(passed)

    def take(self) -> bytes:
        """Bytes to the client that are due by now."""
        with self.present() as now_s:
            with self._broken_for_all():
                if self._upstream is not None and (data := self._upstream.receive()):
                    self._stirred_s = now_s
                    self.wire.from_instrument(data, now_s)
            return self.wire.take(now_s)

    @property
    def next_s(self) -> float | None:
        """When more may be due, or the wire may fail."""
        with self.present() as now_s:
            due = [self.director.next_s, self.wire.next_s]
            later = [due_s for due_s in due if due_s is not None and due_s < math.inf]
            if now_s < self._stirred_s + _LINGER_S:
                later.append(self._stirred_s + _LINGER_S)
            return min(later, default=None)

    @property
    def busy(self) -> bool:
        """Whether an answer may be under way."""
        with self.present() as now_s:
            return self.wire.next_s is not None or now_s < self._stirred_s + _LINGER_S

    @property
    def port(self) -> PortState:
        """Whether it is there, and how often it was not."""
        with self.present():
            return self.wire.port

    def tell_of_port(self, changed: Callable[[], None]) -> None:
        """Have ``changed`` called whenever :attr:`port` has changed."""
        self.wire.on_port = changed

    def hang_up(self) -> None:
        """The client has gone: so do we."""
        with self._lock:
            self.wire.hang_up()
            upstream, self._upstream = self._upstream, None
            if upstream is not None:
                upstream.close()

    def watched(self) -> int | None:
        """What becomes readable when the instrument sends something."""
        with self._lock:
            return None if self._upstream is None else self._upstream.fileno()

    @contextmanager
    def _broken_for_all(self) -> Iterator[None]:
        """An instrument that has gone, or is not there, takes the client's connection with it."""
        try:
            yield
        except OSError:
            self.hang_up()
            self.wire.unplug()
            self.wire.replug(renamed=False)


class Proxy:
    """A proxy that is being served. ``address`` is what clients open instead."""

    def __init__(self, line: ProxiedLine, address: str, rig: Rig) -> None:
        self.address = address
        self._line = line
        self._rig = rig

    @property
    def events(self) -> Sequence[Event]:
        """Which faults have begun and ended by now."""
        with self._line.present():
            return list(self._line.director.events)

    def begin(self, *faults: Mapping[str, Any] | Entry) -> None:
        """Have these faults from now on, each as an entry of a scenario file.

        Raises UsageError for one that is not right, or is none of a line.
        """
        entries = [fault if isinstance(fault, Entry) else entry(fault) for fault in faults]
        Scenario(entries=entries).check(self._rig)
        with self._line.present() as now_s:
            self._line.director.add(entries, now_s)

    def end(self, fault: str) -> int:
        """End all faults of this name, and begin none of them again; how many there were."""
        with self._line.present() as now_s:
            return self._line.director.end(fault, now_s)


@contextmanager
def proxied(
    address: str,
    scenario: Scenario | None = None,
    *,
    device: str = "instrument",
    seed: int = 0,
    pseudo_terminal: bool = False,
    endings: bytes = ENDINGS,
    baud: int = 115200,
    clock: Clock | None = None,
) -> Iterator[Proxy]:
    """A proxy in front of the instrument at ``address``, until left.

    ``address`` is ``HOST:PORT``, ``socket://HOST:PORT``, ``TCPIP::HOST::PORT::SOCKET`` or the path
    of a serial port. ``device`` is what the scenario calls it. ``endings`` are the bytes any of
    which ends a message. ``clock`` is the one that faults go by; the machine's, unless given.

    Raises:
        UsageError: a scenario with faults that are none of a line.
    """
    scenario = scenario or Scenario()
    clock, wire = clock or RealClock(), Wire(endings)
    rig = Rig({device: wire})
    scenario.check(rig)
    seed = seed if scenario.seed is None else scenario.seed
    director = Director(rig, seed, clock.now())
    line = ProxiedLine(address, wire, director, clock, baud)
    wire.on_message = lambda direction: director.count(direction, device, clock.now())
    director.add(scenario.entries, clock.now())
    proxy = Proxy(line, "", rig)

    def at(where: str) -> None:
        if pseudo_terminal:
            proxy.address = where
        elif address.upper().startswith("TCPIP"):
            proxy.address = f"TCPIP::{LOOPBACK}::{where}::SOCKET"
        else:
            proxy.address = f"socket://{LOOPBACK}:{where}"

    if pseudo_terminal:
        terminal = PseudoTerminal(line, clock, at, line.watched)
        at(terminal.path)
        port: PseudoTerminal | TcpPort = terminal
    else:
        tcp = TcpPort(line, clock, at, line.watched)
        at(str(tcp.number))
        port = tcp
    with running(port, f"in front of {address}"):
        try:
            yield proxy
        finally:
            line.hang_up()


def _opened(address: str, baud: int) -> Upstream:
    tcp = _TCP.fullmatch(address)
    if tcp is None:
        return _SerialUpstream(address, baud)
    return _TcpUpstream(tcp["host"], int(tcp["port"]))


@click.command(help=__doc__)
@click.argument("address")
@click.option("--scenario", metavar="FILE", required=True, help="What goes wrong, and when.")
@click.option("--device", default="instrument", show_default=True,
              help="What the scenario calls the instrument.")  # fmt: skip
@click.option("--seed", type=click.IntRange(min=0), default=0, show_default=True,
              help="Where the scenario names none.")  # fmt: skip
@click.option("--terminal", is_flag=True, help="Serve a pseudo-terminal, not a TCP port.")
@click.option("--endings", default=r"\r\n", show_default=True,
              help="Bytes any of which ends a message.")  # fmt: skip
@click.option("--baud", type=click.IntRange(min=1), default=115200, show_default=True,
              help="Of a serial port.")  # fmt: skip
def main(
    address: str,
    scenario: str,
    device: str,
    seed: int,
    terminal: bool,
    endings: str,
    baud: int,
) -> None:
    """Serve until standard input ends. One line of JSON says where; at the end, one each event."""
    try:
        with proxied(
            address,
            load(scenario),
            device=device,
            seed=seed,
            pseudo_terminal=terminal,
            endings=endings.encode("latin-1").decode("unicode_escape").encode("latin-1"),
            baud=baud,
        ) as proxy:
            print(json.dumps({"address": proxy.address, "in_front_of": address}), flush=True)
            while sys.stdin.buffer.read(4096):
                pass
            for event in proxy.events:
                print(json.dumps(dataclasses.asdict(event)), flush=True)
    except UsageError as error:
        print(f"proxy: {error}", file=sys.stderr)
        sys.exit(2)
    except KeyboardInterrupt:
        sys.exit(130)


if __name__ == "__main__":
    main()

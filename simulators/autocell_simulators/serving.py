"""The simulated bench on real lines: controllers on pseudo-terminals, meters on TCP ports.

Everything binds the loopback interface only, on ports the system chooses, and is ready for
clients as soon as :func:`serve` hands it out. A port that is unplugged is gone: connections break,
and nothing can be opened until it is back.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from autocell_simulators.bench import SimulatedBench
from autocell_simulators.bench_file import readdressed
from autocell_simulators.ports import LOOPBACK, Port, PseudoTerminal, TcpPort, running


@dataclass(frozen=True)
class Served:
    """A bench that is being served: the address of each device, as a bench file writes it.

    ``addresses`` follows a port that comes back under another name. ``by_id`` names each serial
    port by what it is, in a link that leads to it whatever its name.
    """

    addresses: Mapping[str, str]
    bench_path: Path
    by_id: Mapping[str, str]

    def bench_file_text(self, *, by_id: bool = False) -> str:
        """The bench file of this bench, with the addresses where it is served."""
        return readdressed(self.bench_path, {**self.addresses, **(self.by_id if by_id else {})})

    def write_bench_file(self, path: Path, *, by_id: bool = False) -> Path:
        """Write :meth:`bench_file_text`; the path it was written to."""
        path.write_text(self.bench_file_text(by_id=by_id), encoding="utf-8")
        return path


@contextmanager
def serve(bench: SimulatedBench, *, pseudo_terminals: bool | None = None) -> Iterator[Served]:
    """Serve every instrument of ``bench``, whose clock is the machine's, until left.

    Each meter gets a TCP port. So do controllers, as serial ports by TCP (``socket://`` of
    pyserial), where there are no pseudo-terminals or none are wanted.
    """
    if pseudo_terminals is None:
        pseudo_terminals = hasattr(os, "openpty")
    addresses: dict[str, str] = {}
    by_id: dict[str, str] = {}
    described = bench.description
    meters = {meter.device for meter in (described.meter, described.delay_meter) if meter}
    meters |= set(bench.extras)
    with ExitStack() as open_ports:
        links = Path(open_ports.enter_context(tempfile.TemporaryDirectory(prefix="autocell-")))
        for name, line in bench.lines.items():
            port: Port
            if name in meters or not pseudo_terminals:
                written = _VISA if name in meters else _SERIAL_BY_TCP
                tcp = TcpPort(line, bench.clock, partial(_note, addresses, name, written))
                _note(addresses, name, written, str(tcp.number))
                port = tcp
            else:
                link = links / "by-id" / name
                link.parent.mkdir(exist_ok=True)
                by_id[name] = str(link)
                terminal = PseudoTerminal(
                    line, bench.clock, partial(_note_link, addresses, name, link)
                )
                _note_link(addresses, name, link, terminal.path)
                port = terminal
            open_ports.enter_context(running(port, name))
        yield Served(addresses, bench.description.path, by_id)


_VISA = f"TCPIP::{LOOPBACK}::{{}}::SOCKET"
_SERIAL_BY_TCP = f"socket://{LOOPBACK}:{{}}"


def _note(addresses: dict[str, str], name: str, written: str, number: str) -> None:
    addresses[name] = written.format(number)


def _note_link(addresses: dict[str, str], name: str, link: Path, path: str) -> None:
    addresses[name] = path
    fresh = link.with_name(f"{link.name}.new")
    fresh.symlink_to(path)
    fresh.replace(link)

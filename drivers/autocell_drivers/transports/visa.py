"""Whatever PyVISA reaches: TCP sockets, USB, serial, VXI-11, with its pure Python back end or, for
what is neither a socket nor a serial port, the library that ``PYVISA_LIBRARY`` names.

Three things differ from what VISA promises, and are put right here: a closed TCP port opens
without complaint, a peer that hangs up looks like one that is silent, and bytes that came before
a timeout are lost. No more is therefore asked of a socket than has arrived, and of a serial line,
where PyVISA takes its time for each of many bytes, one byte at a time.
"""

from __future__ import annotations

import contextlib
import functools
import os
import select
import socket
import time
from typing import Any

import pyvisa
from pyvisa.constants import InterfaceType, ResourceAttribute, StatusCode
from pyvisa.errors import Error as VisaError
from pyvisa.errors import VisaIOError
from pyvisa.resources import MessageBasedResource

from autocell.bench.protocols import Line
from autocell.errors import BenchFileError, Disconnected, NoReply
from autocell_drivers.transports.inbox import LONGEST_DISCARD_S, Inbox
from autocell_drivers.transports.ownership import Claim, busy, holders, locker

_OPEN_MS = 3000
_WRITE_S = 0.5
_MESSAGE_SIZE = 4096


_LIBRARY = "PYVISA_LIBRARY"
"""The environment variable by which PyVISA is told of a VISA library."""


@functools.cache
def _manager(library: str) -> pyvisa.ResourceManager:
    return pyvisa.ResourceManager(library)


class VisaTransport:
    """A line through PyVISA. It belongs to one owner at a time where that can be arranged."""

    def __init__(self, address: str, line: Line) -> None:
        self._address = address
        self._clock = line.clock
        self._inbox = Inbox()
        kind = _kind(address)
        is_socket = kind == (InterfaceType.tcpip, "SOCKET")
        self._claim = Claim(address) if line.exclusive and is_socket else None
        self._resource: MessageBasedResource | None = None
        self._socket: socket.socket | None = None
        self._is_stream = is_socket or kind[0] == InterfaceType.asrl
        self._is_serial = kind[0] == InterfaceType.asrl
        try:
            # Sockets and serial ports need the back end that shows what is below them.
            library = "@py" if self._is_stream else os.environ.get(_LIBRARY, "@py")
            self._resource = _open(address, library)
            if is_socket:
                self._socket = self._interface()
                self._arrived(self._socket)
            if self._is_serial:
                self._own_port(line)
        except BaseException:
            self.close()
            raise

    def write(self, message: bytes) -> None:
        """Send all of ``message``. Raises Disconnected, or NoReply if the line stays blocked."""
        resource = self._opened()
        if self._socket is not None and not select.select([], [self._socket], [], _WRITE_S)[1]:
            raise NoReply(f"{self._address} took no bytes for {_WRITE_S} s")
        try:
            resource.timeout = _WRITE_S * 1000
            sent = resource.write_raw(message)
        except (OSError, VisaError) as error:
            raise self._gone(error) from error
        if sent != len(message):
            raise NoReply(f"{self._address} took {sent} of {len(message)} bytes")

    def read_until(self, terminator: bytes, deadline: float) -> bytes:
        """The next message, without its terminator. Raises NoReply or Disconnected."""

        def receive(seconds: float) -> bytes:
            data = self._receive(seconds)
            # USB and VXI-11 mark the end of a message themselves; the terminator is optional.
            if data and not self._is_stream and not data.endswith(terminator):
                data += terminator
            return data

        return self._inbox.read_until(terminator, deadline, self._clock, receive, self._address)

    def interrupt(self) -> None:
        """Have another thread that waits for a message give up. What has arrived stays."""
        self._inbox.interrupt()

    def discard_input(self) -> int:
        """Throw away all that has arrived and was not read; how many bytes that was."""
        resource = self._opened()
        count = self._inbox.discard()
        enough = time.monotonic() + LONGEST_DISCARD_S
        try:
            # Not flush(): what arrives between counting and flushing would go uncounted.
            while self._is_waiting(resource) and time.monotonic() < enough:
                count += len(self._receive(0.0))
        except (OSError, VisaError) as error:
            raise self._gone(error) from error
        return count

    def close(self) -> None:
        """Let go of the line. Harmless twice."""
        resource, self._resource = self._resource, None
        if resource is not None:
            with contextlib.suppress(OSError, VisaError):
                resource.close()
        if self._claim is not None:
            self._claim.release()

    def _receive(self, seconds: float) -> bytes:
        resource = self._opened()
        size = 1 if self._is_serial else _MESSAGE_SIZE
        if self._socket is not None:
            select.select([self._socket], [], [], seconds)
            size = self._arrived(self._socket)
            if size == 0:
                return b""
        try:
            resource.timeout = max(1, round(seconds * 1000))
            return resource.read_bytes(size, break_on_termchar=True)
        except VisaIOError as error:
            if error.error_code != StatusCode.error_timeout:
                raise self._gone(error) from error
        except OSError as error:
            raise self._gone(error) from error
        return b""

    def _is_waiting(self, resource: MessageBasedResource) -> bool:
        if self._socket is not None:
            return bool(select.select([self._socket], [], [], 0)[0])
        if self._is_serial:
            return bool(resource.get_visa_attribute(ResourceAttribute.asrl_avalaible_number))
        return False

    def _arrived(self, line: socket.socket) -> int:
        """How many bytes can be read at once. Raises Disconnected when the peer has refused, reset
        or ended the connection."""
        refusal = line.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)
        if refusal:
            raise self._gone(OSError(refusal, os.strerror(refusal)))
        if not select.select([line], [], [], 0)[0]:
            return 0
        try:
            arrived = line.recv(_MESSAGE_SIZE, socket.MSG_PEEK)
        except OSError as error:
            raise self._gone(error) from error
        if not arrived:
            raise self._gone(OSError("the other end closed the connection"))
        return len(arrived)

    def _own_port(self, line: Line) -> None:
        resource = self._opened()
        device = self._address.split("::")[0][len("ASRL") :]
        if line.exclusive and (others := [p for p in holders(device) if p != os.getpid()]):
            raise busy(self._address, others)
        try:
            if line.exclusive:
                # pyserial's lock: PyVISA has none for serial ports.
                self._interface().exclusive = True
            resource.set_visa_attribute(ResourceAttribute.asrl_baud_rate, line.baud)
        except OSError as error:
            raise busy(self._address, locker(device)) from error

    def _interface(self) -> Any:
        """The socket or the pyserial port below: only there can be seen who hung up."""
        resource = self._opened()
        library: Any = resource.visalib
        return library.sessions[resource.session].interface

    def _opened(self) -> MessageBasedResource:
        if self._resource is None:
            raise Disconnected(f"{self._address} has been closed by this program")
        return self._resource

    def _gone(self, error: Exception) -> Disconnected:
        return Disconnected(
            f"{self._address} does not answer as a line ({error}); check cable, power and the "
            "address in the bench file"
        )


def _kind(address: str) -> tuple[InterfaceType, str]:
    try:
        name = pyvisa.rname.ResourceName.from_string(address)
    except pyvisa.rname.InvalidResourceName as error:
        raise BenchFileError(
            f"address {address!r} is no VISA resource ({error}); write for example "
            "TCPIP::192.0.2.10::5025::SOCKET"
        ) from error
    if isinstance(name, pyvisa.rname.TCPIPSocket):
        _check_host(address, name.host_address, name.port)
    return name.interface_type_const, name.resource_class


def _check_host(address: str, host: str, port: str) -> None:
    """PyVISA leaves a socket behind when a name cannot be resolved, so it is tried before."""
    if not port.isdigit() or not 0 < int(port) < 65536:
        raise BenchFileError(f"address {address!r}: port {port!r} is none; write 1 to 65535")
    try:
        socket.getaddrinfo(host, int(port), socket.AF_INET)
    except OSError as error:
        raise Disconnected(
            f"{address}: no machine is called {host!r} ({error}); check the address in the "
            "bench file and the network"
        ) from error


def _open(address: str, library: str) -> MessageBasedResource:
    try:
        resource = _manager(library).open_resource(address, open_timeout=_OPEN_MS)
    # The back end raises bare Exception when it cannot connect, and ValueError when a library
    # for this kind of resource is not installed.
    except Exception as error:
        raise Disconnected(
            f"{address} cannot be opened ({error}); check cable, power and the address in the "
            "bench file"
        ) from error
    if not isinstance(resource, MessageBasedResource):
        resource.close()
        raise BenchFileError(
            f"address {address!r} is no instrument that exchanges messages; write a SOCKET or "
            "INSTR resource"
        )
    return resource

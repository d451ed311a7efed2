"""Serial ports, and what else pyserial opens by URL, such as ``socket://host:port``."""

from __future__ import annotations

import contextlib
import errno
import os
import select
import sys
import time
from typing import Any

import serial

from autocell.bench.protocols import Line
from autocell.errors import BenchFileError, Disconnected, NoReply
from autocell_drivers.transports import usb_serial
from autocell_drivers.transports.inbox import LONGEST_DISCARD_S, Inbox
from autocell_drivers.transports.ownership import Claim, busy, holders, locker

_WRITE_S = 0.5
_MOST_AT_ONCE = 4096


class SerialTransport:
    """A line through pyserial. It belongs to one owner at a time."""

    def __init__(self, address: str, line: Line) -> None:
        self._address = address
        self._clock = line.clock
        self._inbox = Inbox()
        self._claim = Claim(address) if line.exclusive and "://" in address else None
        try:
            self._port: Any = _open(address, line)
        except BaseException:
            self._release_claim()
            raise
        self._handle = _handle_of(self._port)
        self._open = True

    def write(self, message: bytes) -> None:
        """Send all of ``message``. Raises Disconnected, or NoReply if the line stays blocked."""
        self._check_open()
        try:
            if self._handle is not None:
                self._send(self._handle, message)
            else:
                self._port.write(message)
        except serial.SerialTimeoutException as error:
            raise NoReply(f"{self._address} took no bytes for {_WRITE_S} s") from error
        except OSError as error:
            raise self._gone(error) from error

    def read_until(self, terminator: bytes, deadline: float) -> bytes:
        """The next message, without its terminator. Raises NoReply or Disconnected."""
        self._check_open()
        return self._inbox.read_until(
            terminator, deadline, self._clock, self._receive, self._address
        )

    def interrupt(self) -> None:
        """Have another thread that waits for a message give up. What has arrived stays."""
        self._inbox.interrupt()

    def discard_input(self) -> int:
        """Throw away all that has arrived and was not read; how many bytes that was."""
        self._check_open()
        count = self._inbox.discard()
        enough = time.monotonic() + LONGEST_DISCARD_S
        try:
            while self._port.in_waiting and time.monotonic() < enough:
                count += len(self._receive(0.0))
        except OSError as error:
            raise self._gone(error) from error
        return count

    def close(self) -> None:
        """Let go of the line. Harmless twice."""
        if not self._open:
            return
        self._open = False
        # pyserial waits after it closes a socket, and forgets one whose other end has gone.
        socket = getattr(self._port, "_socket", None)
        if socket is not None:
            socket.close()
            self._port.is_open = False
        with contextlib.suppress(OSError):
            self._port.close()
        self._release_claim()

    def _receive(self, seconds: float) -> bytes:
        """Wait for the first byte, then take all that came with it."""
        try:
            if self._handle is not None:
                return self._take(self._handle, seconds)
            self._port.timeout = seconds
            # One byte at a time from the wait: pyserial would hold back a part until its time
            # is over, and a reply is complete long before.
            first = self._port.read(1)
            if not first:
                return b""
            self._port.timeout = 0
            return bytes(first + self._port.read(_MOST_AT_ONCE))
        except OSError as error:
            raise self._gone(error) from error

    # Past pyserial, which opened the line, but asks the system for its settings each time that it
    # is told how long to wait, and waits after each message that it has sent.

    def _send(self, handle: int, message: bytes) -> None:
        ends = time.monotonic() + _WRITE_S
        while message:
            try:
                message = message[os.write(handle, message) :]
            except BlockingIOError:
                left = ends - time.monotonic()
                if left <= 0.0 or not select.select([], [handle], [], left)[1]:
                    raise serial.SerialTimeoutException from None

    def _take(self, handle: int, seconds: float) -> bytes:
        if not select.select([handle], [], [], seconds)[0]:
            return b""
        try:
            came = os.read(handle, _MOST_AT_ONCE)
        except BlockingIOError:  # somebody else, who shares the line, was quicker
            return b""
        if not came:
            raise ConnectionResetError("the other end has closed it")
        return came

    def _check_open(self) -> None:
        if not self._open:
            raise Disconnected(f"{self._address} has been closed by this program")

    def _gone(self, error: OSError) -> Disconnected:
        return Disconnected(
            f"{self._address} has gone ({error}); check cable and power, then start again"
        )

    def _release_claim(self) -> None:
        if self._claim is not None:
            self._claim.release()


def _open(address: str, line: Line) -> serial.SerialBase:
    if address.startswith(usb_serial.SCHEME):
        from serial.tools.list_ports import comports

        address = usb_serial.find(address, comports())
    if line.exclusive and (others := [p for p in holders(address) if p != os.getpid()]):
        raise busy(address, others)
    try:
        return serial.serial_for_url(
            address,
            baudrate=line.baud,
            timeout=0,
            write_timeout=_WRITE_S,
            exclusive=True if line.exclusive or sys.platform == "win32" else None,
        )
    except serial.SerialException as error:
        if error.errno in (errno.EBUSY, errno.EAGAIN):
            raise busy(address, locker(address)) from error
        raise Disconnected(
            f"nobody is at {address} ({error}); check cable and power, and the address in the "
            "bench file"
        ) from error
    except ValueError as error:
        raise BenchFileError(
            f"address {address!r} is none that can be opened ({error}); write a serial device "
            "such as /dev/serial/by-id/…, socket://host:port, or a VISA resource such as "
            "TCPIP::host::5025::SOCKET"
        ) from error


def _handle_of(port: serial.SerialBase) -> int | None:
    """What the system knows the line by, where its calls may be used on it."""
    if os.name != "posix":
        return None
    try:
        return int(port.fileno())
    except (AttributeError, OSError, ValueError):  # io.UnsupportedOperation is the last two
        return None

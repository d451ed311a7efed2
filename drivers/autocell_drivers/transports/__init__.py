"""Lines to instruments: serial ports, TCP sockets, and whatever VISA reaches."""

from __future__ import annotations

import re

from autocell.bench.protocols import Line, Transport

_VISA_ADDRESS = re.compile(r"(TCPIP|ASRL|USB|GPIB|VICP)[^:]*::", re.IGNORECASE)


def connect(address: str, line: Line) -> Transport:
    """Open an address: a VISA resource, a serial device, or a URL that pyserial knows.

    ``TCPIP::host::5025::SOCKET``, ``USB::…::INSTR`` and ``ASRL/dev/ttyUSB0::INSTR`` go through
    PyVISA; ``/dev/serial/by-id/…``, ``COM3`` and ``socket://host:port`` through pyserial, and
    ``serial-number:A10K9X`` too, whichever port the USB adapter of that number is at. Each library
    is imported only when it is used. The clock of ``line`` must be the machine's: a
    real line does not wait for a virtual one.

    Raises Busy when somebody else owns the line, Disconnected when nobody is there, and
    BenchFileError for an address that neither library understands.
    """
    if _VISA_ADDRESS.match(address):
        from autocell_drivers.transports.visa import VisaTransport

        return VisaTransport(address, line)
    from autocell_drivers.transports.serial import SerialTransport

    return SerialTransport(address, line)

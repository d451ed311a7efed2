"""The port of a USB serial adapter, found by the serial number it carries."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Protocol

from autocell.errors import BenchFileError, Disconnected

SCHEME = "serial-number:"


class Port(Protocol):
    """A port as pyserial lists it."""

    device: str
    serial_number: str | None


def find(address: str, ports: Iterable[Port]) -> str:
    """The device file at which ``serial-number:…`` is plugged in now.

    Raises Disconnected when it is at none of these ports, BenchFileError when it is at several:
    some adapters all carry the same number.
    """
    wanted = address.removeprefix(SCHEME)
    ports = list(ports)
    found = sorted(port.device for port in ports if port.serial_number == wanted)
    if not found:
        there = ", ".join(sorted(p.serial_number for p in ports if p.serial_number)) or "none"
        raise Disconnected(
            f"no USB serial adapter with the number {wanted!r} is plugged in; there are: {there}"
        )
    if len(found) > 1:
        raise BenchFileError(
            f"address {address!r} is that of {', '.join(found)} alike; write the one you mean as "
            "/dev/serial/by-path/…"
        )
    return found[0]

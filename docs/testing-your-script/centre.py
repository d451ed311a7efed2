"""Scan the input beam across the hole and leave it in the middle of the light.

A small script of the kind that laboratories have: it knows two instruments by their manuals, and
nothing of autocell. It is an example, for a simulated bench. At a real one laser light and moving
parts hurt: a script is no safety function, and your laser safety officer decides.

    python centre.py /dev/ttyUSB0 192.0.2.10:5025
"""

from __future__ import annotations

import re
import socket
import sys
import time

import serial

AXIS = 4
PLACES_MM = [0.4 * step for step in range(-5, 6)]
REPLY_WITHIN_S = 0.5
TRIES = 4


class Trouble(Exception):
    """What the script tells its user before it gives up."""


class Controller:
    """A motion controller with lines that end with a carriage return."""

    def __init__(self, path: str) -> None:
        try:
            self._port = serial.serial_for_url(path, timeout=REPLY_WITHIN_S)
        except serial.SerialException as error:
            raise Trouble(f"the motion controller at {path} cannot be opened") from error

    def ask(self, command: str, reply: str) -> str:
        """Ask until the whole reply is what it should be. Never for a command that moves."""
        for _ in range(TRIES):
            answer = self._exchange(command)
            if re.fullmatch(reply, answer):
                return answer
        raise Trouble(f"the motion controller does not answer {command!r}")

    def move(self, place_mm: float) -> None:
        """Move, whether or not the controller is heard to say so, and see that it arrives."""
        self._exchange(f"{AXIS} MA {place_mm:.3f}")
        deadline = time.monotonic() + 15.0
        while time.monotonic() < deadline:
            answer = self.ask(f"{AXIS} PO?", rf"{AXIS} PO [+-]?\d+\.\d{{5}}")
            if abs(float(answer.split()[2]) - place_mm) < 0.002:
                return
            time.sleep(0.05)
        raise Trouble(f"axis {AXIS} has not come to {place_mm} mm")

    def _exchange(self, command: str) -> str:
        try:
            self._port.reset_input_buffer()  # whatever came late answers nothing any more
            self._port.write(command.encode("ascii") + b"\r")
            answer = self._port.read_until(b"\r\n")
        except (serial.SerialException, OSError) as error:
            raise Trouble("the motion controller has gone") from error
        return answer.decode("ascii", "replace").removesuffix("\r\n")


class Meter:
    """A power meter with SCPI."""

    def __init__(self, address: str) -> None:
        self._address = address
        self._connect()
        self._socket.sendall(b"SENS:POW:WAV 1654;RANG 10MW\n")

    def read(self) -> float:
        """One power in W. A connection on which a reply is missing is given up: it may be late."""
        for _ in range(TRIES):
            try:
                self._socket.sendall(b"READ?\n")
                answer = b""
                while not answer.endswith(b"\n"):
                    received = self._socket.recv(100)
                    if not received:
                        raise OSError("closed")
                    answer += received
                power_w = float(answer)
                if 0.0 <= power_w < 1.0:
                    return power_w
            except ValueError:
                continue
            except OSError:
                self._socket.close()
                self._connect()
        raise Trouble(f"the power meter at {self._address} does not answer")

    def _connect(self) -> None:
        host, port = self._address.rsplit(":", 1)
        try:
            self._socket = socket.create_connection((host, int(port)), REPLY_WITHIN_S)
        except OSError as error:
            raise Trouble(f"the power meter at {self._address} cannot be reached") from error


def centre(controller: Controller, meter: Meter) -> float:
    """The middle of all places with light, in mm; the axis is left there."""
    powers = []
    for place_mm in PLACES_MM:
        controller.move(place_mm)
        powers.append(meter.read())
    most = max(powers)
    light = [place for place, power in zip(PLACES_MM, powers, strict=True) if power > 0.7 * most]
    middle_mm = 0.5 * (light[0] + light[-1])
    controller.move(middle_mm)
    return middle_mm


def main(arguments: list[str]) -> int:
    try:
        middle_mm = centre(Controller(arguments[0]), Meter(arguments[1]))
    except Trouble as trouble:
        print(f"centre: {trouble}", file=sys.stderr)
        return 1
    print(f"{middle_mm:.3f}")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))

"""Dialects with echo and checksum, and with letters and steps."""

from __future__ import annotations

import pytest

from autocell.bench.protocols import ReportsLimits, ReportsReference
from autocell.errors import BadReply, BenchFileError, Refused
from tests.drivers.ascii_motion.plain_controller import SPACING, YAW, sent


def checked(text: str) -> bytes:
    checksum = 0
    for byte in text.encode():
        checksum ^= byte
    return f"{text}*{checksum:02X}".encode()


def test_dialect_with_echo_and_checksum(bench):
    where = {"1": "1.500000"}
    noise = [True]

    def controller(line):
        yield line + b"\r"
        assert line == checked(line[:-3].decode())
        number, verb, *rest = line[1:-3].decode().split()
        answer = f"@{number} {verb}"
        if verb == "VERSION":
            answer += " CHECKED-MOTION 3"
        elif verb == "POS":
            answer += f" {where[number]} mm"
        elif verb == "LIMITS":
            answer += " 0.0,50.0"
        elif verb == "STATE":
            answer += " IR"
        elif verb == "GOTO":
            where[number] = rest[0]
            answer += f" {rest[0]}"
        reply = checked(answer)
        if verb == "POS" and noise.pop():
            noise.append(False)
            reply = reply.replace(b"1.5", b"1.7")
        elif verb == "POS":
            noise.append(False)
        yield reply + b"\r\n"

    device, instrument, _ = bench(controller, dialect="checked-motion.yaml", identity="CHECKED")
    axis = device.axis("spacing", SPACING)
    assert axis.position() == 0.0015
    axis.start_move(0.002)
    assert instrument.lines[-1] == checked("#1 GOTO 2.000000")
    assert axis.position() == 0.002
    assert isinstance(axis, ReportsLimits)
    assert axis.limits() == (0.0, 0.05)
    axis.stop()
    assert not axis.moving()
    with pytest.raises(BadReply):
        device.shutter({"channel": 1}).close()


def test_dialect_of_letters_and_steps_that_acknowledges_nothing(bench):
    steps = {"X": 200000, "B": 500000}
    closed_switch = []

    def controller(line):
        text = line.decode()
        if text == "WHO":
            yield b"WHO=STEP-COUNTING 7;\n"
        elif text[0] == "P":
            yield f"P{text[1]}={steps[text[1]]};\n".encode()
        elif text[0] == "S":
            yield f"S{text[1]}=1;\n".encode()
        elif text[0] == "G" and closed_switch:
            yield b"E20;\n"
        elif text[0] == "G":
            steps[text[1]] = int(text[2:])

    device, instrument, _ = bench(
        controller, b";", dialect="step-counting-motion.yaml", identity="STEP-COUNTING"
    )
    spacing, yaw = device.axis("spacing", SPACING), device.axis("yaw", YAW)
    assert spacing.position() == 0.01
    assert yaw.position() == 0.0
    assert not isinstance(spacing, ReportsLimits)
    assert not isinstance(spacing, ReportsReference)
    spacing.start_move(0.0123456)
    yaw.start_move(-0.015)
    assert sent(instrument, b"G") == [b"GX246912", b"GB481250"]
    assert yaw.position() == pytest.approx(-0.015, abs=1e-12)
    spacing.stop()
    assert instrument.lines[-3:] == [b"HX", b"HALT", b"WHO"]
    closed_switch.append(True)
    with pytest.raises(Refused, match="limit switch is closed"):
        spacing.start_move(0.02)
    with pytest.raises(BenchFileError, match="describes no outputs"):
        device.shutter({"channel": 1})

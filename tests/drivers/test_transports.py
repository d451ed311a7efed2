"""Transports on real pseudo-terminals and real sockets."""

from __future__ import annotations

import os
import pty
import signal
import socket
import subprocess
import sys

import pytest
from autocell_drivers.transports import connect

from autocell.bench.clock import RealClock, VirtualClock
from autocell.bench.protocols import Line, Transport
from autocell.errors import BenchFileError, Busy, Disconnected, NoReply, Stopped

CLOCK = RealClock()
KINDS = ("pty", "visa-pty", "socket", "visa-socket")


def soon(seconds=5.0):
    return CLOCK.now() + seconds


@pytest.fixture(params=KINDS)
def kind(request):
    return request.param


@pytest.fixture
def opened():
    """Open an address; closed again, whatever happens."""
    lines: list[Transport] = []

    def open_line(address: str) -> Transport:
        lines.append(connect(address, Line(CLOCK)))
        return lines[-1]

    yield open_line
    for line in lines:
        line.close()


def echo(line):
    yield line + b"\r\n"


def test_answer_comes_without_its_terminator_and_nothing_is_left(serve, opened, kind):
    line = opened(serve(kind, echo).address)
    line.write(b"hello\n")
    assert line.read_until(b"\r\n", soon()) == b"hello"
    assert line.discard_input() == 0


def test_two_answers_in_one_burst_are_two_messages(serve, opened, kind):
    def burst(line):
        yield b"one\r\ntwo\r\n"

    line = opened(serve(kind, burst).address)
    line.write(b"?\n")
    assert line.read_until(b"\r\n", soon()) == b"one"
    assert line.read_until(b"\r\n", soon()) == b"two"
    assert line.discard_input() == 0


def test_unfinished_answer_is_no_answer_and_stays_waiting(serve, opened, kind):
    def halting(line):
        yield b"12.3" if line == b"first" else b"45\r\n"

    line = opened(serve(kind, halting).address)
    line.write(b"first\n")
    with pytest.raises(NoReply, match=r"12\.3"):
        line.read_until(b"\r\n", soon(0.1))
    line.write(b"second\n")
    assert line.read_until(b"\r\n", soon()) == b"12.345"
    assert line.discard_input() == 0


def test_discarding_counts_what_was_thrown_away(serve, opened, kind):
    def babble(line):
        yield b"12345"

    line = opened(serve(kind, babble).address)
    line.write(b"?\n")
    with pytest.raises(NoReply):
        line.read_until(b"\n", soon(0.1))
    assert line.discard_input() == 5
    assert line.discard_input() == 0


def test_discarding_takes_what_nobody_has_read_yet(serve, opened, kind):
    instrument = serve(kind, lambda line: iter([b"stale\n"] if line == b"a" else [b"fresh\n"]))
    line = opened(instrument.address)
    line.write(b"a\n")
    discarded, deadline = 0, soon()
    while discarded < 6:
        assert CLOCK.now() < deadline
        discarded += line.discard_input()
    line.write(b"b\n")
    assert line.read_until(b"\n", soon()) == b"fresh"


def test_silence_is_told_apart_from_a_line_that_has_gone(serve, opened, hang_up, kind):
    def leave(line):
        if line == b"leave":
            yield hang_up

    line = opened(serve(kind, leave).address)
    line.write(b"stay\n")
    with pytest.raises(NoReply, match="silent"):
        line.read_until(b"\n", soon(0.1))
    line.write(b"leave\n")
    with pytest.raises(Disconnected):
        line.read_until(b"\n", soon())


def test_line_that_went_with_an_answer_half_said_is_gone(serve, opened, hang_up, kind):
    def leave(line):
        yield b"12."
        yield 0.05
        yield hang_up

    line = opened(serve(kind, leave).address)
    line.write(b"?\n")
    with pytest.raises(Disconnected):
        line.read_until(b"\n", soon())


def test_read_can_be_interrupted_and_the_line_used_at_once(serve, opened, kind):
    def interrupt(signum, frame):
        raise Stopped("stop was pressed")

    def slow_once(line):
        if line != b"slow":
            yield line + b"\n"

    line = opened(serve(kind, slow_once).address)
    before = signal.signal(signal.SIGALRM, interrupt)
    try:
        line.write(b"slow\n")
        signal.setitimer(signal.ITIMER_REAL, 0.05)
        with pytest.raises(Stopped):
            line.read_until(b"\n", soon(30.0))
    finally:
        signal.signal(signal.SIGALRM, before)
    line.write(b"stop\n")
    assert line.read_until(b"\n", soon()) == b"stop"


def test_second_owner_in_the_same_program_is_refused_by_name(serve, opened, kind):
    address = serve(kind, echo).address
    opened(address)
    with pytest.raises(Busy, match="this program itself"):
        opened(address)


def test_line_can_be_opened_again_after_it_was_closed(serve, opened, kind):
    address = serve(kind, echo).address
    first = opened(address)
    first.close()
    first.close()
    line = opened(address)
    line.write(b"again\n")
    assert line.read_until(b"\r\n", soon()) == b"again"


def test_closed_line_says_so(serve, opened, kind):
    line = opened(serve(kind, echo).address)
    line.close()
    with pytest.raises(Disconnected, match="closed by this program"):
        line.write(b"?\n")
    with pytest.raises(Disconnected, match="closed by this program"):
        line.read_until(b"\n", soon())
    with pytest.raises(Disconnected, match="closed by this program"):
        line.discard_input()


def test_instrument_that_never_stops_talking_keeps_nobody(serve, opened, kind):
    def babble(line):
        while True:
            yield b"x" * 40
            yield 0.0005

    instrument = serve(kind, babble)
    line = opened(instrument.address)
    line.write(b"?\n")
    CLOCK.sleep(0.05)
    assert line.discard_input() > 0
    with pytest.raises(NoReply):
        line.read_until(b"\n", soon(0.1))
    line.close()


def test_clock_that_stands_still_does_not_mean_waiting_for_ever(serve, kind):
    line = connect(serve(kind, echo).address, Line(VirtualClock()))
    try:
        with pytest.raises(NoReply):
            line.read_until(b"\n", 0.1)
    finally:
        line.close()


@pytest.mark.parametrize("form", ["socket://127.0.0.1:{port}", "TCPIP::127.0.0.1::{port}::SOCKET"])
def test_port_where_nobody_listens_is_disconnected_on_opening(form):
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
    with pytest.raises(Disconnected, match="bench file"):
        connect(form.format(port=port), Line(CLOCK))


@pytest.mark.parametrize(
    "address",
    ["/dev/no-such-port", "ASRL/dev/no-such-port::INSTR", "USB0::0x1234::0x5678::NONE::INSTR"],
)
def test_device_that_is_not_there_is_disconnected(address):
    with pytest.raises(Disconnected, match="bench file"):
        connect(address, Line(CLOCK))


@pytest.mark.parametrize(
    "address",
    ["socket://127.0.0.1:70000", "TCPIP::127.0.0.1::seventy::SOCKET", "TCPIP::", "smoke://signals"],
)
def test_address_that_means_nothing_is_refused(address):
    with pytest.raises((BenchFileError, Disconnected), match=r"bench file|address"):
        connect(address, Line(CLOCK))


@pytest.mark.parametrize("form", ["{}", "ASRL{}::INSTR"])
def test_port_held_by_another_program_names_it(form):
    ours, theirs = pty.openpty()
    name = os.ttyname(theirs)
    os.close(theirs)
    hold = "import sys; port = open(sys.argv[1], 'rb', 0); print('held', flush=True); input()"
    with subprocess.Popen(
        [sys.executable, "-c", hold, name], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == b"held\n"
        try:
            with pytest.raises(Busy, match=rf"process {other.pid}"):
                connect(form.format(name), Line(CLOCK))
        finally:
            other.communicate(b"\n")
    os.close(ours)


def test_address_claimed_by_another_program_names_it(serve):
    address = serve("visa-socket", echo).address
    hold = (
        "import sys; from autocell_drivers.transports import connect;"
        "from autocell.bench.clock import RealClock; from autocell.bench.protocols import Line;"
        "line = connect(sys.argv[1], Line(RealClock())); print('held', flush=True); input();"
        "line.close()"
    )
    with subprocess.Popen(
        [sys.executable, "-c", hold, address], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == b"held\n"
        try:
            with pytest.raises(Busy, match=rf"process {other.pid}"):
                connect(address, Line(CLOCK))
        finally:
            other.communicate(b"\n")

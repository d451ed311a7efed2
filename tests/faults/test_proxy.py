"""The proxy in front of instruments that know nothing of it: ours, and one of somebody else's."""

import json
import os
import socket
import socketserver
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
import serial
from autocell_simulators.bench import SimulatedBench
from autocell_simulators.faults.scenario import Scenario, read
from autocell_simulators.proxy import Proxy, proxied
from autocell_simulators.serving import Served, serve

from autocell.bench.clock import RealClock, VirtualClock
from autocell.description import BenchDescription
from autocell.errors import UsageError

PATIENCE_S = 20.0
IDENTITY = b"EXAMPLE,POWER-METER,0001,1.0\n"


class Strange(socketserver.StreamRequestHandler):
    """An instrument of somebody else's: it answers WORD; by ok WORD; and knows no newline."""

    def handle(self) -> None:
        message = b""
        while byte := self.rfile.read(1):
            message += byte
            if byte == b";":
                self.wfile.write(b"ok " + message)
                message = b""


@pytest.fixture
def strange() -> Iterator[str]:
    with socketserver.ThreadingTCPServer(("127.0.0.1", 0), Strange) as server:
        server.daemon_threads = True
        thread = threading.Thread(target=server.serve_forever, daemon=True)
        thread.start()
        yield f"127.0.0.1:{server.server_address[1]}"
        server.shutdown()
        thread.join()


@pytest.fixture
def served(description: BenchDescription) -> Iterator[Served]:
    with serve(SimulatedBench(description, 7, RealClock())) as ports:
        yield ports


@contextmanager
def connected(proxy: Proxy) -> Iterator[socket.socket]:
    host, port = proxy.address.removeprefix("socket://").removeprefix("TCPIP::").replace(
        "::", ":"
    ).removesuffix(":SOCKET").split(":")  # fmt: skip
    with socket.create_connection((host, int(port)), PATIENCE_S) as client:
        yield client


def ask(client: socket.socket, query: bytes, ending: bytes = b"\n") -> bytes:
    client.sendall(query)
    reply = b""
    while not reply.endswith(ending):
        received = client.recv(100)
        assert received, reply
        reply += received
    return reply


def nothing_comes(client: socket.socket, within_s: float) -> bool:
    client.settimeout(within_s)
    try:
        return client.recv(100) == b"never"
    except TimeoutError:
        return True
    finally:
        client.settimeout(PATIENCE_S)


def until(happens: Callable[[], bool]) -> None:
    deadline = time.monotonic() + PATIENCE_S
    while not happens():
        assert time.monotonic() < deadline
        time.sleep(0.005)


def test_without_a_fault_everything_passes_both_ways(served: Served) -> None:
    with proxied(served.addresses["meter"]) as proxy:
        assert proxy.address.startswith("TCPIP::127.0.0.1::")
        for _ in range(3):
            with connected(proxy) as client:
                assert ask(client, b"*IDN?\n") == IDENTITY
                assert float(ask(client, b"READ?\n")) > 1e-3
    assert proxy.events == []


def test_a_client_that_finishes_sending_still_gets_its_answers(served: Served) -> None:
    with proxied(served.addresses["meter"]) as proxy, connected(proxy) as client:
        client.sendall(b"*IDN?\nREAD?\n")
        client.shutdown(socket.SHUT_WR)
        received = b""
        while data := client.recv(100):
            received += data
    identity, reading = received.splitlines()
    assert identity + b"\n" == IDENTITY
    assert float(reading) > 1e-3


@pytest.mark.parametrize(
    ("fault", "received"),
    [
        ("{fault: duplicated-reply, when: {query: 2}}", b"ok a;ok b;ok b;ok c;"),
        ("{fault: lost-reply, when: {query: 2}}", b"ok a;ok c;"),
        ("{fault: lost-command, when: {query: 2}}", b"ok a;ok c;"),
    ],
)
def test_each_fault_strikes_an_instrument_of_somebody_elses(
    strange: str, fault: str, received: bytes
) -> None:
    scenario = read(f"scenario: x\nfaults:\n  - {fault}\n")
    with proxied(strange, scenario, endings=b";") as proxy, connected(proxy) as client:
        assert ask(client, b"a;b;c;", received) == received
        assert nothing_comes(client, 0.05)
        assert [event.count for event in proxy.events] == [2]


def test_a_late_reply_comes_when_its_time_has_come_and_holds_up_the_next(strange: str) -> None:
    fault = "{fault: late-reply, ms: 250, when: {query: 2}}"
    scenario, clock = read(f"scenario: x\nfaults:\n  - {fault}\n"), VirtualClock()
    with (
        proxied(strange, scenario, endings=b";", clock=clock) as proxy,
        connected(proxy) as client,
    ):
        assert ask(client, b"a;b;c;", b";") == b"ok a;"
        until(lambda: len(proxy.events) == 1)  # the answer is at the proxy
        assert nothing_comes(client, 0.05)
        clock.sleep(0.25)
        assert ask(client, b"", b"c;") == b"ok b;ok c;"


def test_a_slow_line_lets_one_byte_through_at_a_time(strange: str) -> None:
    fault = "{fault: slow-line, bytes_per_s: 64, when: {query: 2}}"
    scenario, clock = read(f"scenario: x\nfaults:\n  - {fault}\n"), VirtualClock()
    with (
        proxied(strange, scenario, endings=b";", clock=clock) as proxy,
        connected(proxy) as client,
    ):
        assert ask(client, b"a;", b";") == b"ok a;"
        client.sendall(b"b;")
        until(lambda: len(proxy.events) == 1)
        for byte in b"ok b;":
            clock.sleep(1 / 64)
            assert client.recv(100) == bytes([byte])


def test_truncated_and_garbled_replies_are_the_same_for_the_same_seed(strange: str) -> None:
    scenario = read(
        "scenario: x\nseed: 5\nfaults:\n"
        "  - {fault: truncated-reply, when: {query: 1}}\n"
        "  - {fault: garbled-reply, bits: 2, when: {query: 3}}\n"
    )
    heard = []
    for _ in range(2):
        with proxied(strange, scenario, endings=b";") as proxy, connected(proxy) as client:
            answers = ask(client, b"first;second;", b"ok second;")
            heard.append(answers + ask(client, b"third;", b";"))
    assert heard[0] == heard[1]
    assert heard[0] != b"ok first;ok second;ok third;"


def test_faults_can_be_begun_and_ended_by_hand(strange: str) -> None:
    with proxied(strange, endings=b";") as proxy, connected(proxy) as client:
        proxy.begin({"fault": "silent"})
        client.sendall(b"a;")
        assert nothing_comes(client, 0.2)
        assert proxy.end("silent") == 1
        assert ask(client, b"b;", b";") == b"ok b;"


def test_a_pulled_plug_breaks_the_connection_until_it_is_back(strange: str) -> None:
    with proxied(strange, endings=b";") as proxy:
        with connected(proxy) as client:
            assert ask(client, b"a;", b";") == b"ok a;"
            proxy.begin({"fault": "disconnected", "new_name": True})
            assert client.recv(100) == b""
        before = proxy.address
        proxy.end("disconnected")
        until(lambda: proxy.address != before)
        with connected(proxy) as client:
            assert ask(client, b"b;", b";") == b"ok b;"


def test_an_instrument_that_is_not_there_breaks_the_connection(strange: str) -> None:
    with socket.create_server(("127.0.0.1", 0)) as free:
        nowhere = f"127.0.0.1:{free.getsockname()[1]}"
    with proxied(nowhere) as proxy, connected(proxy) as client:
        client.sendall(b"a\n")
        assert client.recv(100) == b""


def test_a_serial_port_can_be_behind_it_and_a_terminal_in_front(served: Served) -> None:
    scenario = read("scenario: x\nfaults:\n  - {fault: truncated-reply, when: {query: 2}}\n")
    path = served.addresses["motion"]
    with proxied(path, scenario, pseudo_terminal=True) as proxy:
        assert proxy.address != path
        assert os.path.exists(proxy.address)
        with serial.serial_for_url(proxy.address, timeout=1.0) as port:
            port.write(b"ID?\r")
            assert port.read_until(b"\r\n") == b"ID PLAIN-MOTION 1.2 SN 0417\r\n"
            port.write(b"ID?\r")
            broken = port.read_until(b"\r\n")
            assert b"ID PLAIN-MOTION 1.2 SN 0417\r\n".startswith(broken)
            assert not broken.endswith(b"\n")


@pytest.mark.parametrize(
    ("fault", "said"),
    [
        ("{fault: backlash}", "backlash needs a simulated bench"),
        ("{fault: late-reply, when: {move: 2}}", "a line knows no moves and no readings"),
        ("{fault: silent, device: meter}", "no device 'meter'; there are: instrument"),
    ],
)
def test_what_is_no_fault_of_a_line_is_refused(fault: str, said: str) -> None:
    scenario = read(f"scenario: x\nfaults:\n  - {fault}\n", "file.yaml")
    with pytest.raises(UsageError, match=said), proxied("127.0.0.1:9", scenario):
        pytest.fail("it was served")


def test_nothing_is_left_running(strange: str) -> None:
    with proxied(strange, Scenario(), endings=b";") as proxy, connected(proxy) as client:
        assert ask(client, b"a;", b";") == b"ok a;"
        number = int(proxy.address.rpartition(":")[2])
    assert not [t for t in threading.enumerate() if "in front of" in t.name]
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection(("127.0.0.1", number), PATIENCE_S)


def test_it_runs_as_a_program_of_its_own(strange: str, tmp_path: Path) -> None:
    (tmp_path / "lines.yaml").write_text(
        "scenario: x\nfaults:\n  - {fault: duplicated-reply, device: thing, when: {query: 1}}\n"
    )
    command = [
        sys.executable, "-P", "-m", "autocell_simulators.proxy", strange, "--device", "thing",
        "--scenario", str(tmp_path / "lines.yaml"), "--endings", ";",
    ]  # fmt: skip
    process = subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    told = json.loads(process.stdout.readline())
    host, port = told["address"].removeprefix("socket://").split(":")
    with socket.create_connection((host, int(port)), PATIENCE_S) as client:
        assert ask(client, b"a;", b"ok a;ok a;") == b"ok a;ok a;"
    out, err = process.communicate(timeout=120.0)  # closes its standard input
    assert (process.returncode, err) == (0, "")
    assert json.loads(out)["fault"] == "duplicated-reply"


def test_as_a_program_it_refuses_in_words(tmp_path: Path) -> None:
    (tmp_path / "lines.yaml").write_text("scenario: x\nfaults: [{fault: silnt}]\n")
    ended = subprocess.run(
        [sys.executable, "-P", "-m", "autocell_simulators.proxy", "127.0.0.1:9", "--scenario",
         str(tmp_path / "lines.yaml")],
        capture_output=True, text=True, check=False, timeout=120.0, stdin=subprocess.DEVNULL,
    )  # fmt: skip
    assert ended.returncode == 2
    assert "did you mean silent?" in ended.stderr
    assert "Traceback" not in ended.stderr

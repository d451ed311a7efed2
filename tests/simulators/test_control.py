"""The second port of a served bench: it tells the truth and takes faults."""

import json
import socket
import threading
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from autocell_simulators.bench import SimulatedBench
from autocell_simulators.control import controlled
from autocell_simulators.faults.scenario import Scenario
from autocell_simulators.serving import Served, serve

from autocell.bench.clock import RealClock
from autocell.description import BenchDescription

PATIENCE_S = 20.0
Tell = Callable[[Any], dict[str, Any]]


@pytest.fixture
def served(description: BenchDescription) -> Iterator[tuple[SimulatedBench, Served, str]]:
    bench = SimulatedBench(description, 7, RealClock(), scenario=Scenario())
    with serve(bench) as ports, controlled(bench, ports.addresses) as address:
        yield bench, ports, address


def opened(address: str) -> tuple[socket.socket, Tell]:
    host, port = address.split(":")
    client = socket.create_connection((host, int(port)), PATIENCE_S)
    replies = client.makefile("rb")

    def tell(request: Any) -> dict[str, Any]:
        line = request if isinstance(request, bytes) else json.dumps(request).encode()
        client.sendall(line + b"\n")
        answer: dict[str, Any] = json.loads(replies.readline())
        return answer

    return client, tell


@pytest.fixture
def tell(served: tuple[SimulatedBench, Served, str]) -> Iterator[Tell]:
    client, tell = opened(served[2])
    with client:
        yield tell


def test_it_tells_the_truth_and_the_time_and_where_everything_is(
    tell: Tell, served: tuple[SimulatedBench, Served, str]
) -> None:
    truth = tell({"do": "truth"})["answer"]
    assert truth["passes"] == 6
    assert truth["seed"] == 7
    assert 0.0 < truth["time_s"] <= tell({"do": "time"})["answer"]
    assert tell({"do": "addresses"})["answer"] == dict(served[1].addresses)
    assert served[2].startswith("127.0.0.1:")


def test_a_fault_that_it_begins_is_seen_on_the_instruments_line(
    tell: Tell, served: tuple[SimulatedBench, Served, str]
) -> None:
    host, port = served[1].addresses["meter"].split("::")[1:3]
    with socket.create_connection((host, int(port)), PATIENCE_S) as meter:
        meter.sendall(b"SENS:POW:WAV 1654;RANG 10MW;:READ?\n")
        before_w = float(meter.recv(1000))
        fault = {"fault": "wrong-wavelength", "factor": 0.5}
        assert tell({"do": "begin", "fault": fault}) == {"ok": True, "answer": None}
        meter.sendall(b"READ?\n")
        assert float(meter.recv(1000)) == pytest.approx(0.5 * before_w, rel=0.05)
        assert tell({"do": "end", "fault": "wrong-wavelength"})["answer"] == 1
        meter.sendall(b"READ?\n")
        assert float(meter.recv(1000)) == pytest.approx(before_w, rel=0.05)
    events = tell({"do": "events"})["answer"]
    assert [(event["fault"], event["what"]) for event in events] == [
        ("wrong-wavelength", "begins"), ("wrong-wavelength", "ends"),
    ]  # fmt: skip


def test_it_plays_a_whole_scenario(tell: Tell) -> None:
    text = "scenario: two\nfaults: [{fault: mode-hop}, {fault: dust}]\n"
    assert tell({"do": "play", "scenario": text})["answer"] == 2
    assert [event["fault"] for event in tell({"do": "events"})["answer"]] == ["mode-hop", "dust"]


@pytest.mark.parametrize(
    ("request_", "error"),
    [
        (b"{", "not JSON"),
        ([], 'write {"do": WORD}, with one of truth, time'),
        ({"do": "dance"}, "with one of truth, time, events, addresses, begin, end, play"),
        ({"do": "begin"}, 'begin needs "fault"'),
        ({"do": "begin", "fault": {"fault": "mode-hopp"}}, "did you mean mode-hop?"),
        ({"do": "begin", "fault": {"fault": "stick", "axis": "roll"}}, "no axis 'roll'"),
        ({"do": "play", "scenario": "- a"}, "not a scenario"),
    ],
)
def test_what_it_cannot_do_it_says_and_goes_on(tell: Tell, request_: Any, error: str) -> None:
    answer = tell(request_)
    assert answer["ok"] is False
    assert error in answer["error"]
    assert tell({"do": "time"})["ok"] is True


def test_several_may_ask_and_leave_whenever_they_like(
    served: tuple[SimulatedBench, Served, str],
) -> None:
    first, tell = opened(served[2])
    second, _ = opened(served[2])
    second.sendall(b'{"do": "truth"}\n')
    second.close()
    with first:
        assert tell({"do": "time"})["ok"] is True


def test_nothing_is_left_running(description: BenchDescription) -> None:
    before = set(threading.enumerate())
    bench = SimulatedBench(description, 7, RealClock(), scenario=Scenario())
    with controlled(bench, {}) as address:
        pass
    assert set(threading.enumerate()) <= before
    host, port = address.split(":")
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection((host, int(port)), PATIENCE_S)

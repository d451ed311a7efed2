"""Rows 27, 28 and 36: what a client sees of a line that fails."""

import dataclasses

import numpy as np
import pytest
from autocell_simulators.inprocess import connector

from autocell.bench.protocols import Line
from autocell.description import BenchDescription
from autocell.errors import Disconnected, NoReply
from tests.faults.conftest import Client

IDENTITY = "ID PLAIN-MOTION 1.2 SN 0417"


def replies(client: Client, count: int, patience_s: float = 0.1) -> list[str | None]:
    """What comes within the patience on so many questions; None where nothing does."""
    heard: list[str | None] = []
    for _ in range(count):
        client.line("motion").write(b"ID?\r")
        try:
            deadline = client.clock.now() + patience_s
            heard.append(client.line("motion").read_until(b"\r\n", deadline).decode("latin-1"))
        except NoReply:
            heard.append(None)
            client.line("motion").discard_input()
    return heard


def test_a_late_reply_answers_the_next_query_of_a_client_that_does_not_take_care(
    description: BenchDescription,
) -> None:
    fault = {"fault": "late-reply", "device": "motion", "ms": 700.0, "when": {"query": 2}}
    client = Client(description, fault)
    line = client.line("motion")
    assert client.controller("1 PO?") == "1 PO 40.00000"
    line.write(b"1 LI?\r")
    with pytest.raises(NoReply):
        line.read_until(b"\r\n", client.clock.now() + 0.69)
    line.write(b"1 PO?\r")
    began_s = client.clock.now()
    assert line.read_until(b"\r\n", began_s + 1.0) == b"1 LI 0.00000 50.00000"
    # 700 ms after it would have come, 2 ms after the question
    assert client.clock.now() - began_s == pytest.approx(0.012, abs=1e-4)
    assert line.read_until(b"\r\n", began_s + 1.0) == b"1 PO 40.00000"


def test_a_lost_reply_never_comes_and_the_command_was_done(description: BenchDescription) -> None:
    fault = {"fault": "lost-reply", "device": "motion", "when": {"query": 1}}
    client = Client(description, fault)
    with pytest.raises(NoReply):
        client.controller("4 MA 0.5")
    client.wait(5.0)
    assert client.controller("4 PO?") == "4 PO 0.50000"


def test_a_lost_command_was_not_done(description: BenchDescription) -> None:
    fault = {"fault": "lost-command", "device": "motion", "when": {"query": 1}}
    client = Client(description, fault)
    with pytest.raises(NoReply):
        client.controller("4 MA 0.5")
    client.wait(5.0)
    assert client.controller("4 PO?") == "4 PO 0.00000"


def test_a_garbled_command_is_none_that_was_sent(description: BenchDescription) -> None:
    fault = {"fault": "garbled-command", "device": "motion", "when": {"query": 1}, "bits": 3}
    client = Client(description, fault)
    try:
        reply = client.controller("ID?")
    except NoReply:
        reply = ""
    assert reply != IDENTITY
    assert client.controller("ID?") == IDENTITY


def test_a_duplicated_reply_comes_twice(description: BenchDescription) -> None:
    fault = {"fault": "duplicated-reply", "device": "motion", "when": {"query": 1}}
    client = Client(description, fault)
    assert client.controller("ID?") == IDENTITY
    assert client.line("motion").discard_input() == len(IDENTITY) + 2
    assert client.controller("1 PO?") == "1 PO 40.00000"


def test_a_truncated_reply_has_no_ending(description: BenchDescription) -> None:
    fault = {"fault": "truncated-reply", "device": "motion", "when": {"query": 1}}
    client = Client(description, fault)
    line = client.line("motion")
    line.write(b"ID?\r")
    with pytest.raises(NoReply):
        line.read_until(b"\r\n", client.clock.now() + 5.0)
    line.write(b"1 PO?\r")
    joined = line.read_until(b"\r\n", client.clock.now() + 5.0).decode()
    start = joined.removesuffix("1 PO 40.00000")
    assert IDENTITY.startswith(start)
    assert 0 < len(start) < len(IDENTITY)


@pytest.mark.parametrize("bits", [1, 4])
def test_a_garbled_reply_has_so_many_bits_flipped(description: BenchDescription, bits: int) -> None:
    fault = {"fault": "garbled-reply", "device": "motion", "bits": bits, "when": {"query": 1}}
    client = Client(description, fault)
    client.line("motion").write(b"ID?\r")
    client.wait(0.1)
    client.line("motion").write(b"")
    with pytest.raises(NoReply):
        client.line("motion").read_until(b"no such ending", client.clock.now() + 0.1)
    received = client.line("motion").read_until(b"\r\n", client.clock.now() + 0.1)
    flipped = np.bitwise_xor(
        np.frombuffer(received, np.uint8), np.frombuffer(IDENTITY.encode(), np.uint8)
    )
    assert int(np.unpackbits(flipped).sum()) == bits


def test_faults_at_random_come_at_their_rate(description: BenchDescription) -> None:
    client = Client(
        description,
        {"fault": "lost-reply", "device": "motion", "when": {"per_query": 0.05}},
    )
    lost = sum(heard is None for heard in replies(client, 4000))
    # binomial: mean 200, standard deviation 13.8
    assert abs(lost - 200) < 3 * 13.8
    assert [event.fault for event in client.events] == ["lost-reply"] * lost


def test_a_second_reader_takes_its_share_of_the_bytes(description: BenchDescription) -> None:
    client = Client(description, {"fault": "second-reader", "device": "motion", "percent": 30.0})
    sent = received = 0
    for _ in range(200):
        client.line("motion").write(b"ID?\r")
        client.wait(0.1)
        received += client.line("motion").discard_input()
        sent += len(IDENTITY) + 2
    # binomial: 5800 bytes, standard deviation 0.6 %
    assert received / sent == pytest.approx(0.7, abs=0.018)


def test_a_slow_line_delivers_byte_by_byte(description: BenchDescription) -> None:
    client = Client(description, {"fault": "slow-line", "device": "motion", "bytes_per_s": 50.0})
    began_s = client.clock.now()
    assert client.controller("ID?") == IDENTITY
    assert client.clock.now() - began_s == pytest.approx(29 / 50.0 + 0.002, abs=1e-3)
    line = client.line("motion")
    line.write(b"ID?\r")
    client.wait(0.31)  # nobody has looked meanwhile
    assert line.discard_input() == 15


def test_slow_silent_and_disconnected_are_three_things(description: BenchDescription) -> None:
    silent = {"fault": "silent", "device": "motion", "when": {"at_s": 5.0}, "for_s": 5.0}
    gone = {"fault": "disconnected", "device": "motion", "when": {"at_s": 20.0}, "for_s": 5.0}
    client = Client(description, silent, gone)
    client.wait(5.0)
    with pytest.raises(NoReply):  # and the port is there
        client.controller("4 MA 0.5")
    client.wait(6.0)
    assert client.controller("4 PO?") == "4 PO 0.50000"  # it had been heard
    client.wait(5.0)
    with pytest.raises(Disconnected, match="disappeared"):
        client.controller("4 PO?")
    line = client.line("motion")
    line.close()
    with pytest.raises(Disconnected, match="nothing there"):
        connector(client.bench)("/dev/ttyUSB0", Line(client.clock))


def test_a_controller_that_hangs_hears_nothing(description: BenchDescription) -> None:
    fault = {"fault": "silent", "device": "motion", "hears": False, "for_s": 8.0}
    client = Client(description, fault)
    with pytest.raises(NoReply):
        client.controller("4 MA 0.5")
    client.wait(8.0)
    assert client.controller("4 PO?") == "4 PO 0.00000"


def test_a_port_that_comes_back_is_another_opening(description: BenchDescription) -> None:
    fault = {"fault": "disconnected", "device": "motion", "when": {"at_s": 5.0}, "for_s": 3.0}
    client = Client(description, fault)
    old = client.line("motion")
    client.wait(10.0)
    with pytest.raises(Disconnected):
        old.write(b"ID?\r")
    old.close()
    new = connector(client.bench)("/dev/ttyUSB0", Line(client.clock))
    new.write(b"ID?\r")
    assert new.read_until(b"\r\n", client.clock.now() + 1.0).decode() == IDENTITY


@pytest.mark.parametrize(
    ("address", "afterwards"),
    [
        ("/dev/ttyUSB0", "/dev/ttyUSB1"),
        ("/dev/serial/by-id/usb-plain-motion-0417", "/dev/serial/by-id/usb-plain-motion-0417"),
    ],
)
def test_a_port_may_come_back_under_another_name_and_its_identity_keeps_its_own(
    description: BenchDescription, address: str, afterwards: str
) -> None:
    motion = dataclasses.replace(description.devices["motion"], address=address)
    described = dataclasses.replace(description, devices={**description.devices, "motion": motion})
    fault = {
        "fault": "disconnected", "device": "motion", "new_name": True,
        "when": {"at_s": 5.0}, "for_s": 3.0,
    }  # fmt: skip
    client = Client(described, fault)
    client.wait(10.0)
    connect = connector(client.bench)
    if afterwards != address:
        with pytest.raises(Disconnected, match=afterwards):
            connect(address, Line(client.clock))
    line = connect(afterwards, Line(client.clock))
    line.write(b"ID?\r")
    assert line.read_until(b"\r\n", client.clock.now() + 1.0).decode() == IDENTITY


def test_a_fault_of_the_meters_line_leaves_the_controllers_alone(
    description: BenchDescription,
) -> None:
    client = Client(description)
    client.bench.begin({"fault": "lost-reply", "device": "meter", "when": {"per_query": 1.0}})
    assert replies(client, 20) == [IDENTITY] * 20
    with pytest.raises(NoReply):
        client.read()

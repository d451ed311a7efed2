import pytest
from autocell_simulators.bench import SimulatedBench
from autocell_simulators.inprocess import connector

from autocell.bench.clock import VirtualClock
from autocell.bench.protocols import Line
from autocell.description import BenchDescription
from autocell.errors import Busy, Disconnected, NoReply

CONTROLLER = "/dev/ttyUSB0"
METER = "TCPIP::192.0.2.10::5025::SOCKET"


def test_waiting_for_a_reply_lets_the_clock_run_to_it(
    bench: SimulatedBench, clock: VirtualClock
) -> None:
    line = connector(bench)(METER, Line(clock))
    line.write(b"READ?\n")
    assert clock.now() == 0.0
    line.read_until(b"\n", 10.0)
    assert 0.05 < clock.now() < 0.3


def test_silence_lasts_to_the_deadline_and_no_longer(
    bench: SimulatedBench, clock: VirtualClock
) -> None:
    line = connector(bench)(CONTROLLER, Line(clock))
    line.write(b"1 PO?")
    with pytest.raises(NoReply, match=r"/dev/ttyUSB0.*0 bytes"):
        line.read_until(b"\r\n", 0.7)
    assert clock.now() == pytest.approx(0.7)


def test_a_reply_that_came_too_late_is_there_for_the_next_to_read_or_discard(
    bench: SimulatedBench, clock: VirtualClock
) -> None:
    line = connector(bench)(METER, Line(clock))
    for _ in range(2):
        line.write(b"READ?\n")
        with pytest.raises(NoReply):
            line.read_until(b"\n", clock.now() + 0.01)
        clock.sleep(1.0)
        late = line.discard_input()
        assert late == len("+7.12345678E-03\n")
    line.write(b"*IDN?\n")
    assert line.read_until(b"\n", clock.now() + 1.0).startswith(b"EXAMPLE,")


def test_an_unended_message_is_kept_and_never_an_answer(
    bench: SimulatedBench, clock: VirtualClock
) -> None:
    line = connector(bench)(CONTROLLER, Line(clock))
    line.write(b"ID?\r")
    with pytest.raises(NoReply, match="29 bytes"):
        line.read_until(b"\n\n", 0.5)
    assert line.read_until(b"\r\n", 0.6).startswith(b"ID PLAIN-MOTION")


def test_a_line_has_one_owner_until_it_is_closed(
    bench: SimulatedBench, clock: VirtualClock
) -> None:
    connect = connector(bench)
    first = connect(CONTROLLER, Line(clock))
    with pytest.raises(Busy, match="/dev/ttyUSB0"):
        connect(CONTROLLER, Line(clock))
    first.close()
    first.close()
    with pytest.raises(Disconnected):
        first.write(b"ID?\r")
    connect(CONTROLLER, Line(clock)).close()


def test_an_address_of_no_instrument_names_those_there_are(
    bench: SimulatedBench, clock: VirtualClock
) -> None:
    with pytest.raises(Disconnected, match="/dev/ttyUSB0"):
        connector(bench)("/dev/ttyUSB7", Line(clock))


def test_reading_one_line_does_not_make_the_other_miss_its_reply(
    bench: SimulatedBench, clock: VirtualClock
) -> None:
    connect = connector(bench)
    controller, meter = connect(CONTROLLER, Line(clock)), connect(METER, Line(clock))
    meter.write(b"READ?\n")
    for _ in range(100):
        controller.write(b"1 PO?\r")
        controller.read_until(b"\r\n", clock.now() + 1.0)
    before_s = clock.now()
    meter.read_until(b"\n", clock.now() + 5.0)
    assert clock.now() - before_s < 0.01


def test_one_seed_gives_one_conversation(description: BenchDescription) -> None:
    def conversation(seed: int) -> list[bytes]:
        clock = VirtualClock()
        connect = connector(SimulatedBench(description, seed, clock))
        controller, meter = connect(CONTROLLER, Line(clock)), connect(METER, Line(clock))
        heard = []
        for target in (39.5, 38.0, 39.0):
            controller.write(b"1 MA %.3f\r" % target)
            heard.append(controller.read_until(b"\r\n", clock.now() + 1.0))
            clock.sleep(2.0)
            controller.write(b"1 PO?\r")
            heard.append(controller.read_until(b"\r\n", clock.now() + 1.0))
            meter.write(b"READ?\n")
            heard.append(meter.read_until(b"\n", clock.now() + 5.0))
        return heard

    assert conversation(11) == conversation(11)
    assert conversation(11) != conversation(12)


def test_queries_sent_together_are_answered_one_reading_after_the_other(
    bench: SimulatedBench, clock: VirtualClock
) -> None:
    line = connector(bench)(METER, Line(clock))
    line.write(b"SENS:POW:RANG 1E-2\n")
    clock.sleep(1.0)
    line.write(b"READ?\n" * 3)
    clock.sleep(0.17)
    assert [line.read_until(b"\n", clock.now() + 1e-6) for _ in range(3)]
    assert bench.meter.readings == 3

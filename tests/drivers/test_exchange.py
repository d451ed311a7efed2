"""One question, one answer, over a real socket to an instrument that misbehaves by script."""

from __future__ import annotations

import re
import signal

import pytest
from autocell_drivers.exchange import Exchange, Manners
from autocell_drivers.transports import connect

from autocell.bench.clock import RealClock
from autocell.bench.protocols import Line
from autocell.errors import BadReply, Disconnected, NoReply, Refused, Stopped

CLOCK = RealClock()
REPLY_S = 0.25


def parse_identity(raw):
    if raw == b"NO":
        raise Refused("the instrument answered NO")
    if raw != b"I AM ONE":
        raise BadReply(f"{raw!r} is no identity")
    return raw.decode()


def parse_number(raw):
    if raw == b"NO":
        raise Refused("the instrument answered NO")
    if re.fullmatch(rb"VALUE \d+", raw) is None:
        raise BadReply(f"{raw!r} is no value")
    return int(raw.split()[1])


def parse_ok(raw):
    if raw == b"NO":
        raise Refused("the instrument answered NO")
    if raw != b"OK":
        raise BadReply(f"{raw!r} is no OK")


class Counter:
    """An instrument whose value is the number of the question, so that no two answers agree.

    ``trouble`` says for the number of a question what comes back instead.
    """

    def __init__(self, trouble=None):
        self.trouble = trouble or {}
        self.questions = 0

    def __call__(self, line):
        if line == b"who":
            yield b"I AM ONE\n"
        elif line == b"value?":
            self.questions += 1
            yield from self.trouble.get(self.questions, [self.answer()])
        elif line in (b"move", b"stop", b"halt"):
            yield from self.trouble.get(line, [b"OK\n"])

    def answer(self):
        return b"VALUE %d\n" % self.questions


@pytest.fixture
def talk(serve):
    """Open an exchange with a script; asserts at the end that nothing was left unread."""
    lines = []

    def start(script, *, echo=False, kind="socket", talks_on=False, clock=CLOCK, anybody=False):
        instrument = serve(kind, script)
        line = connect(instrument.address, Line(clock))
        lines.append((line, talks_on))
        manners = Manners(b"\n", b"\n", REPLY_S, echo)
        who = bytes.decode if anybody else parse_identity
        return Exchange(line, clock, manners, b"who\n", who), instrument

    yield start
    for line, talks_on in lines:
        try:
            assert talks_on or line.discard_input() == 0
        except Disconnected:
            pass
        finally:
            line.close()


def test_answers_come_in_order_without_more_traffic_than_needed(talk):
    exchange, instrument = talk(Counter())
    assert exchange.greet() == "I AM ONE"
    assert [exchange.ask(b"value?\n", parse_number) for _ in range(3)] == [1, 2, 3]
    assert instrument.lines == [b"who", b"value?", b"value?", b"value?"]


def test_late_answer_never_answers_the_next_question(talk):
    exchange, _ = talk(Counter({1: [1.6 * REPLY_S, b"VALUE 1\n"]}))
    assert exchange.ask(b"value?\n", parse_number) == 2
    assert exchange.ask(b"value?\n", parse_number) == 3


def test_lost_answer_is_asked_for_again(talk):
    exchange, _ = talk(Counter({1: []}))
    assert exchange.ask(b"value?\n", parse_number) == 2


def test_truncated_answer_is_never_used(talk):
    exchange, _ = talk(Counter({1: [b"VALUE 12"]}))
    assert exchange.ask(b"value?\n", parse_number) == 2


def test_garbled_answer_is_never_used(talk):
    exchange, _ = talk(Counter({1: [b"V\xff\x00UE 1\n"], 2: [b"\n"]}))
    assert exchange.ask(b"value?\n", parse_number) == 3


def test_duplicated_answer_does_not_answer_the_next_question(talk):
    exchange, _ = talk(Counter({1: [b"VALUE 1\nVALUE 1\n"]}))
    assert exchange.ask(b"value?\n", parse_number) == 1
    assert exchange.ask(b"value?\n", parse_number) == 2
    assert exchange.ask(b"value?\n", parse_number) == 3


def test_silence_ends_at_the_deadline_with_no_reply(talk):
    exchange, instrument = talk(lambda line: iter([b"I AM ONE\n"] if line == b"who" else []))
    exchange.greet()
    with pytest.raises(NoReply):
        exchange.ask(b"value?\n", parse_number)
    assert 1 < instrument.lines.count(b"value?") <= 8


def test_instrument_that_only_talks_nonsense_ends_as_a_bad_reply(talk):
    exchange, _ = talk(lambda line: iter([b"I AM ONE\n" if line == b"who" else b"hm\n"]))
    with pytest.raises(BadReply, match="hm"):
        exchange.ask(b"value?\n", parse_number)


def test_instrument_that_never_stops_talking_ends_at_the_deadline(talk):
    def babble(line):
        while True:
            yield b"hm\n" * 10
            yield 0.001

    exchange, _ = talk(babble, talks_on=True)
    with pytest.raises((NoReply, BadReply)):
        exchange.greet()
    with pytest.raises((NoReply, BadReply)):
        exchange.urgent(b"stop\n", parse_ok, b"halt\n")


def test_stranger_on_the_line_is_reported_with_what_it_said(talk):
    exchange, _ = talk(lambda line: iter([b"SOMEBODY ELSE\n"]))
    with pytest.raises(BadReply, match="SOMEBODY ELSE"):
        exchange.greet()


def test_identity_that_was_garbled_is_asked_for_again_before_anybody_is_accused(talk):
    answers = iter([b"I AM TWO\n", b"I AM ONE\n"])
    exchange, instrument = talk(lambda line: iter([next(answers)]), anybody=True)
    assert exchange.greet("ONE") == "I AM ONE"
    assert instrument.lines == [b"who", b"who"]


def test_rest_of_a_torn_answer_makes_nobody_a_stranger(talk):
    def slow(line):
        yield b"I AM"
        yield 1.2 * REPLY_S
        yield b" ONE\n"

    exchange, _ = talk(slow, talks_on=True)
    with pytest.raises(NoReply):
        exchange.greet()


def test_answer_is_read_by_a_process_that_was_kept_waiting_beyond_the_deadline(talk):
    class Busy(RealClock):
        def __init__(self):
            self.ahead_s = 0.0

        def now(self):
            return super().now() + self.ahead_s

    clock = Busy()

    def answer(line):
        yield b"I AM ONE\n" if line == b"who" else b"VALUE 1\n"
        if line == b"value?":
            clock.ahead_s += 20.0 * REPLY_S  # whoever asked gets no time to look until now

    exchange, _ = talk(answer, clock=clock)
    assert exchange.greet() == "I AM ONE"
    assert exchange.ask(b"value?\n", parse_number) == 1


def test_hanging_up_is_reported_at_once(talk, hang_up):
    exchange, _ = talk(Counter({1: [hang_up]}))
    with pytest.raises(Disconnected):
        exchange.ask(b"value?\n", parse_number)


@pytest.mark.parametrize("trouble", [[], [b"OK"], [b"O?\n"], [b"NO\n"]])
def test_move_is_sent_once_whatever_comes_back(talk, trouble):
    exchange, instrument = talk(Counter({b"move": trouble}))
    with pytest.raises((NoReply, BadReply, Refused)):
        exchange.once(b"move\n", parse_ok)
    assert exchange.ask(b"value?\n", parse_number) == 1
    assert instrument.lines.count(b"move") == 1


def test_refusal_of_a_command_that_nothing_acknowledges_is_heard(talk):
    exchange, instrument = talk(Counter({b"move": [0.5 * REPLY_S, b"NO\n"]}))
    with pytest.raises(Refused):
        exchange.once(b"move\n", None)
    assert instrument.lines.count(b"move") == 1
    exchange, _ = talk(Counter({b"move": []}))
    exchange.once(b"move\n", None)


def test_stop_leaves_at_once_after_an_interrupted_question(talk):
    exchange, instrument = talk(Counter({1: [0.5 * REPLY_S, b"VALUE 1\n"]}))
    exchange.greet()

    def interrupt(signum, frame):
        raise Stopped("stop was pressed")

    before = signal.signal(signal.SIGALRM, interrupt)
    try:
        signal.setitimer(signal.ITIMER_REAL, 0.2 * REPLY_S)
        with pytest.raises(Stopped):
            exchange.ask(b"value?\n", parse_number)
    finally:
        signal.signal(signal.SIGALRM, before)
    exchange.urgent(b"stop\n", parse_ok, b"halt\n")
    assert instrument.lines[2] == b"stop"
    assert instrument.lines.count(b"stop") == 2
    assert exchange.ask(b"value?\n", parse_number) == 2


def test_stop_that_is_acknowledged_is_sent_once(talk):
    exchange, instrument = talk(Counter())
    exchange.greet()
    exchange.urgent(b"stop\n", parse_ok, b"halt\n")
    assert instrument.lines == [b"who", b"stop"]


def test_stop_without_acknowledgement_halts_everything_and_tries_again(talk):
    answers = iter([[], [b"OK\n"]])

    def deaf_once(line):
        if line == b"stop":
            yield from next(answers)
        elif line == b"who":
            yield b"I AM ONE\n"

    exchange, instrument = talk(deaf_once)
    exchange.greet()
    exchange.urgent(b"stop\n", parse_ok, b"halt\n")
    assert instrument.lines == [b"who", b"stop", b"halt", b"who", b"stop"]


def test_stops_sent_ahead_all_leave_at_once_and_are_confirmed_without_being_said_again(talk):
    exchange, instrument = talk(Counter())
    exchange.greet()
    for _ in range(3):
        exchange.send_ahead(b"stop\n", acknowledged=True)
    for _ in range(3):
        exchange.urgent(b"stop\n", parse_ok, b"halt\n")
    assert instrument.lines == [b"who", b"stop", b"stop", b"stop"]
    assert exchange.ask(b"value?\n", parse_number) == 1
    assert instrument.lines[4:] == [b"value?"]


def test_stops_sent_ahead_of_which_one_is_not_acknowledged_halt_everything(talk):
    answers = iter([[b"OK\n"], [], [b"OK\n"], [b"OK\n"], [b"OK\n"]])

    def deaf_once(line):
        if line == b"stop":
            yield from next(answers)
        elif line == b"who":
            yield b"I AM ONE\n"

    exchange, instrument = talk(deaf_once)
    exchange.greet()
    for _ in range(3):
        exchange.send_ahead(b"stop\n", acknowledged=True)
    for _ in range(3):
        exchange.urgent(b"stop\n", parse_ok, b"halt\n")
    assert instrument.lines == [b"who", b"stop", b"stop", b"stop", b"halt", b"who", b"stop"]


def test_stop_sent_ahead_on_a_line_out_of_step_is_followed_by_all_that_helps(talk):
    exchange, instrument = talk(Counter())
    exchange.send_ahead(b"stop\n", acknowledged=True)
    exchange.urgent(b"stop\n", parse_ok, b"halt\n")
    assert instrument.lines == [b"stop", b"stop", b"halt", b"who", b"stop"]


def test_what_was_sent_ahead_and_never_seen_to_answers_nothing_else(talk):
    exchange, _ = talk(Counter())
    exchange.greet()
    exchange.send_ahead(b"stop\n", acknowledged=True)
    assert exchange.ask(b"value?\n", parse_number) == 1


def test_stop_of_a_dead_instrument_sends_all_it_can_and_says_so(talk):
    exchange, instrument = talk(lambda line: iter([]))
    with pytest.raises(NoReply):
        exchange.urgent(b"stop\n", parse_ok, b"halt\n")
    assert instrument.lines[:2] == [b"stop", b"halt"]


@pytest.mark.parametrize("kind", ["pty", "socket"])
def test_echo_is_read_and_compared(talk, kind):
    counter = Counter()

    def echoing(line):
        yield line + b"\n"
        yield from counter(line)

    exchange, _ = talk(echoing, echo=True, kind=kind)
    assert exchange.ask(b"value?\n", parse_number) == 1
    assert exchange.ask(b"value?\n", parse_number) == 2


def test_echo_of_another_command_is_a_bad_reply(talk):
    def mishearing(line):
        yield b"mofe\n" if line == b"move" else line + b"\n"
        yield b"I AM ONE\n" if line == b"who" else b"OK\n"

    exchange, _ = talk(mishearing, echo=True)
    exchange.greet()
    with pytest.raises(BadReply, match="mofe"):
        exchange.once(b"move\n", parse_ok)
    exchange.ask(b"value?\n", parse_ok)

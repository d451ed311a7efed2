"""No answer is ever taken for that to another question, whatever a line does, and no wait is long.

A random sequence of questions and commands goes to an instrument whose every answer says which
question it is to. On the way back answers are lost, late, doubled, cut short or garbled, at random;
the clock is virtual. Answers to the greeting are never doubled: one that is doubled and late as
well cannot be told from two.
"""

from __future__ import annotations

import contextlib
import re

from autocell_drivers.exchange import Exchange, Manners
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from autocell.bench.clock import VirtualClock
from autocell.errors import BadReply, NoReply, Refused

REPLY_S = 0.3
ASK_S, MOVE_S = 8.0 * REPLY_S, 2.0 * REPLY_S
"""How long a question is repeated, and how long the answer to a command is waited for."""
STOP_S = REPLY_S + ASK_S
"""A stop is waited for once, and then asked for again as any question is."""
TICK_S = 1e-5
"""What the line below oversleeps."""
FATES = st.sampled_from(
    ["arrives", "arrives", "is lost", "is late", "is very late", "comes twice", "is cut short",
     "is garbled", "loses its end"]
)  # fmt: skip


class Wire:
    """A line with a counting instrument at its end. ``fate`` is that of each answer, in order."""

    def __init__(self, clock: VirtualClock) -> None:
        self.clock = clock
        self.fates: list[str] = []
        self.coming: list[tuple[float, bytes]] = []
        self.inbox = b""
        self.questions = 0
        self.moves = 0
        self.last_due = 0.0
        self.sent: list[tuple[float, bytes]] = []
        self.deadlines: list[float] = []

    def write(self, message: bytes) -> None:
        self.sent.append((self.clock.now(), message))
        for line in message.splitlines():
            if line == b"who":
                self.send(b"I AM ONE\n")
            elif line == b"value?":
                self.questions += 1
                self.send(b"VALUE %d.\n" % self.questions)
            elif line == b"move":
                self.moves += 1
                self.send(b"OK\n")
            elif line in (b"stop", b"halt"):
                self.send(b"STOPPED\n")

    def send(self, answer: bytes) -> None:
        fate = self.fates.pop(0) if self.fates else "arrives"
        if fate == "comes twice" and answer == b"I AM ONE\n":
            fate = "arrives"
        delay = {"is late": 1.3 * REPLY_S, "is very late": 4.1 * REPLY_S}.get(fate, 0.01)
        sent = {
            "is lost": b"",
            "comes twice": answer + answer,
            "is cut short": answer[: len(answer) // 2],
            "is garbled": answer.replace(b"A", b"\xff"),
            "loses its end": answer[:-1],
        }.get(fate, answer)
        # A line delivers in the order of sending: what follows a late answer is late as well.
        self.last_due = max(self.last_due, self.clock.now() + delay)
        if sent:
            self.coming.append((self.last_due, sent))

    def read_until(self, terminator: bytes, deadline: float) -> bytes:
        self.deadlines.append(deadline)
        while True:
            self.arrive()
            message, ended, rest = self.inbox.partition(terminator)
            if ended:
                self.inbox = rest
                return message
            due = self.coming[0][0] if self.coming else deadline
            if self.clock.now() >= deadline:
                raise NoReply("nothing came")
            self.clock.sleep(max(min(due, deadline) - self.clock.now(), 1e-6))

    def discard_input(self) -> int:
        self.arrive()
        count, self.inbox = len(self.inbox), b""
        return count

    def arrive(self) -> None:
        while self.coming and self.coming[0][0] <= self.clock.now():
            self.inbox += self.coming.pop(0)[1]

    def close(self) -> None:
        pass


def identity(raw: bytes) -> str:
    if raw != b"I AM ONE":
        raise BadReply(f"{raw!r} is no identity")
    return raw.decode()


def number(raw: bytes) -> int:
    if re.fullmatch(rb"VALUE \d+\.", raw) is None:
        raise BadReply(f"{raw!r} is no value")
    return int(raw[6:-1])


def word(expected: bytes):
    def parse(raw: bytes) -> None:
        if raw != expected:
            raise BadReply(f"{raw!r} is not {expected!r}")

    return parse


class Conversation(RuleBasedStateMachine):
    """Questions, moves and stops in any order, over a line that does what it likes."""

    def __init__(self) -> None:
        super().__init__()
        self.clock = VirtualClock()
        self.wire = Wire(self.clock)
        self.exchange = Exchange(
            self.wire, self.clock, Manners(b"\n", b"\n", REPLY_S), b"who\n", identity
        )
        self.began = self.ends_by = 0.0
        self.disturbed = False

    def begin(self, fates: list[str], longest_s: float) -> None:
        """Note when an operation has to end, and whether the line has reason to fail it."""
        self.began = self.clock.now()
        self.ends_by = self.began + longest_s
        self.wire.sent.clear()
        self.wire.deadlines.clear()
        self.disturbed = bool(fates) or self.wire.last_due > self.began
        self.wire.fates[:] = fates

    @rule(fates=st.lists(FATES, max_size=6))
    def ask(self, fates: list[str]) -> None:
        self.begin(fates, ASK_S)
        before = self.wire.questions
        try:
            answer = self.exchange.ask(b"value?\n", number)
        except (NoReply, BadReply):
            assert self.disturbed
        else:
            assert answer > before, "an answer from before the question"
            assert answer == self.wire.questions, "an answer to an attempt that was given up"
        self.ended()

    @rule(fates=st.lists(FATES, max_size=3))
    def move(self, fates: list[str]) -> None:
        self.begin(fates, MOVE_S)
        before = self.wire.moves
        try:
            self.exchange.once(b"move\n", word(b"OK"))
        except (NoReply, BadReply):
            assert self.disturbed
        else:
            assert self.wire.moves == before + 1
        assert self.wire.moves <= before + 1, "a move was sent twice"
        self.ended()

    @rule(fates=st.lists(FATES, max_size=6))
    def stop(self, fates: list[str]) -> None:
        self.begin(fates, STOP_S)
        try:
            self.exchange.urgent(b"stop\n", word(b"STOPPED"), b"halt\n")
        except (NoReply, BadReply, Refused):
            assert self.disturbed
        assert self.wire.sent[0] == (self.began, b"stop\n"), "something came before a stop"
        for at, message in self.wire.sent:
            assert b"move" not in message
            if message == b"halt\n":
                assert at <= self.began + REPLY_S + TICK_S
        self.ended()

    @rule(fates=st.lists(FATES, max_size=8), stops=st.integers(2, 4))
    def stop_several(self, fates: list[str], stops: int) -> None:
        self.begin(fates, stops * STOP_S)
        for _ in range(stops):
            self.exchange.send_ahead(b"stop\n", acknowledged=True)
        assert self.wire.sent == [(self.began, b"stop\n")] * stops
        for _ in range(stops):
            try:
                self.exchange.urgent(b"stop\n", word(b"STOPPED"), b"halt\n")
            except (NoReply, BadReply, Refused):
                assert self.disturbed
        assert all(b"move" not in message for _, message in self.wire.sent)
        self.ended()

    @rule(seconds=st.floats(0.0, 2.0))
    def wait(self, seconds: float) -> None:
        self.clock.sleep(seconds)

    @precondition(lambda self: not self.wire.fates)
    @rule()
    def ask_in_peace(self) -> None:
        self.clock.sleep(5.0 * REPLY_S)
        self.begin([], ASK_S)
        before = self.wire.questions
        assert self.exchange.ask(b"value?\n", number) == before + 1

    @invariant()
    def no_wait_was_longer_than_its_operation_had_left(self) -> None:
        assert max(self.wire.deadlines, default=0.0) <= self.ends_by + TICK_S

    def ended(self) -> None:
        assert self.clock.now() <= self.ends_by + TICK_S
        self.wire.fates.clear()


TestConversation = Conversation.TestCase
TestConversation.settings = settings(max_examples=200, stateful_step_count=20, deadline=None)


@given(st.lists(st.binary(max_size=30), max_size=8))
def test_any_bytes_end_within_the_deadline_as_a_value_or_an_error_of_ours(chunks):
    clock = VirtualClock()
    wire = Wire(clock)
    wire.send = lambda _answer: wire.coming.extend(
        (clock.now() + 0.01 * place, chunk) for place, chunk in enumerate(chunks, start=1)
    )
    exchange = Exchange(wire, clock, Manners(b"\n", b"\n", REPLY_S), b"who\n", identity)
    with contextlib.suppress(NoReply, BadReply):
        assert isinstance(exchange.ask(b"value?\n", number), int)
    assert clock.now() <= ASK_S + TICK_S

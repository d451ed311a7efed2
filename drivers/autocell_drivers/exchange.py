"""One question, one answer, and no answer ever taken for that to another question."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import TypeVar

from autocell.bench.protocols import Clock, Interruptible, Transport, Troubles
from autocell.errors import (
    BadReply,
    NoReply,
    Refused,
)
from autocell_drivers.floor import Floor
from autocell_drivers.greetings import Greetings
from autocell_drivers.returns import Returns

T = TypeVar("T")
Parse = Callable[[bytes], T]
"""Bytes of one reply to its value. Raises BadReply for another reply, Refused for an error,
Unfinished for a line that belongs to an answer of several and does not end it."""

_ATTEMPTS = 4
_HURRIED, _HELD_UP_S = 8, 2.5
"""Attempts with an instrument that answers fast, as long as a line may hold it up: three replies in
a row by 0.7 s each. [trade]"""
_LATEST_REPLIES = 10.0
"""In reply times: what comes later than that is not thought of. [trade]"""


class Unfinished(Exception):
    """More lines of this answer are to come."""


@dataclass(frozen=True)
class Manners:
    """How an instrument talks: endings, echo, and how long it may think before it answers."""

    command_ending: bytes
    reply_ending: bytes
    reply_s: float
    echo: bool = False


class Exchange:
    """Questions and commands on one transport.

    ``greeting`` asks who is there; ``recognise`` raises BadReply for any other line. Its answer
    cannot be mistaken for that to another question, and instruments answer in order: once the
    greeting is answered, whatever was late before it has been read and thrown away. That is done
    after everything that may leave a reply outstanding: silence, a reply that means nothing,
    bytes nobody asked for, and a read that was interrupted.

    A line that has gone and can return is waited for and opened again (:class:`Returns`).

    What must get through (:meth:`urgent`, :meth:`send_ahead`, :meth:`shout`) may come from another
    thread than the one that talks, in the middle of whatever that says, which raises Stopped then:
    see :class:`Floor`.
    """

    def __init__(
        self,
        transport: Transport,
        clock: Clock,
        manners: Manners,
        greeting: bytes,
        recognise: Parse[str],
    ) -> None:
        self._transport = transport
        self._clock = clock
        self._manners = manners
        self._greeting = greeting
        self._recognise = recognise
        self._floor = Floor(self._interrupt)
        self._in_step = False
        self._ahead: list[bytes] = []
        self._torn = False
        self._greetings = Greetings(_LATEST_REPLIES * manners.reply_s)
        self._returns = Returns(transport, clock, self._meet_again)
        self._troubles = Troubles()

    @property
    def notes(self) -> tuple[str, ...]:
        """When the line was gone, and for how long."""
        return self._returns.notes

    @property
    def troubles(self) -> Troubles:
        """Questions that were repeated, and what made them be."""
        return self._troubles + Troubles(errors=self._returns.times_gone)

    def on_return(self, check: Callable[[], None]) -> None:
        """Call ``check`` whenever the line was gone and is back, before anything else is asked."""
        self._returns.checks.append(check)

    def greet(self, expected: str = "") -> str:
        """Who is there; asked once more if that does not name ``expected``, since a line that
        garbles says something else the second time.

        Raises BadReply when something answers, but not as this dialect does; NoReply when
        nothing does.
        """
        with self._floor.kept():
            self._returns.expected = self._meet(lambda who: expected in who)
            return self._returns.expected

    def ask(self, question: bytes, parse: Parse[T], reply_s: float | None = None) -> T:
        """Send what may be repeated without harm, until it is answered.

        Waits ``reply_s`` (by default as long as the instrument may think) for each attempt, and
        no longer than one deadline for all of them. Raises what the last attempt raised: NoReply,
        BadReply or Refused; Disconnected when the line is gone and does not come back in time,
        WrongIdentity when another instrument comes back.
        """
        wait_s = self._manners.reply_s if reply_s is None else reply_s

        def attempt(deadline: float) -> T:
            return self._once(question, parse, wait_s, deadline)

        with self._floor.kept():
            return self._returns.outlasting(lambda: self._repeat(wait_s, attempt))

    def once(self, command: bytes, parse: Parse[T] | None) -> T | None:
        """Send what must not be repeated, such as a move.

        Where nothing answers (``parse`` is None) a greeting follows, so that a refusal has come
        by the time this returns. Raises Refused when the instrument says no; after NoReply,
        BadReply or Disconnected the command may have been obeyed or not.
        """
        wait_s = self._manners.reply_s
        with self._floor.kept():
            self._returns.outlasting(self._discard_input)
            deadline = self._clock.now() + 2 * wait_s
            if parse is not None:
                return self._once(command, parse, wait_s, deadline)
            self.tell(command)
            _, refusal = self._hear_greeting(deadline)
        if refusal is not None:
            raise refusal
        return None

    def tell(self, command: bytes) -> None:
        """Send what nothing answers."""
        deadline = self._clock.now() + 2 * self._manners.reply_s
        with self._floor.kept():
            self._settle(deadline)
            self._send(command, deadline)
            self._in_step = True

    def urgent(self, command: bytes, parse: Parse[T] | None, otherwise: bytes) -> None:
        """Send at once what must get through, whatever the state of the line.

        The line may be in the middle of anything, so when the command is not acknowledged
        ``otherwise`` follows it unasked, and then the command again on a line that is in step.
        A line that has gone is opened again if that can be done at once. Raises NoReply, BadReply
        or Refused when it was never acknowledged, Disconnected when it could not be sent.
        """
        with self._floor.taken():
            self._returns.outlasting(lambda: self._press(command, parse, otherwise), patience_s=0.0)

    def send_ahead(self, command: bytes, acknowledged: bool) -> None:
        """Send at once what :meth:`urgent` sees to afterwards, whatever the state of the line, and
        read nothing. Several may be sent one after the other.

        Waits for no line that has gone. Raises Disconnected or NoReply when it could not be sent.
        """
        with self._floor.taken():
            ahead = [*self._ahead, command]
            in_order = acknowledged and (bool(self._ahead) or self._is_quiet())
            self._write(command)
            if in_order:
                self._ahead = ahead

    def shout(self, message: bytes) -> None:
        """Send at once what the instrument picks out of the stream wherever it comes, and does not
        answer. A line that has gone is opened again if that can be done at once. Raises
        Disconnected or NoReply when it could not be sent."""

        def write() -> None:
            with self._floor.writing():
                self._transport.write(message)

        with self._floor.taken():
            self._returns.outlasting(write, patience_s=0.0)

    def _interrupt(self) -> None:
        if isinstance(self._transport, Interruptible):
            self._transport.interrupt()

    def _discard_input(self) -> int:
        with self._floor.reading():
            return self._transport.discard_input()

    def _read_until(self, ending: bytes, deadline: float) -> bytes:
        with self._floor.reading():
            return self._transport.read_until(ending, deadline)

    def _is_quiet(self) -> bool:
        """Whether nothing is to come that was asked for, and nothing has come that was not."""
        return self._in_step and self._discard_input() == 0

    def _press(self, command: bytes, parse: Parse[T] | None, otherwise: bytes) -> None:
        ahead = self._ahead
        was_sent = ahead[:1] == [command]
        if parse is not None and (was_sent or self._is_quiet()):
            if self._hears(command, parse, was_sent):
                self._ahead, self._in_step = ahead[1:], len(ahead) <= 1
                return
        else:
            self._write(command)
        self._write(otherwise)
        if parse is None:
            self._repeat(self._manners.reply_s, self._get_in_step)
        else:
            self.ask(command, parse)

    def _hears(self, command: bytes, parse: Parse[T], was_sent: bool) -> bool:
        """Whether a command is acknowledged within the time of one reply."""
        until = self._clock.now() + self._manners.reply_s
        try:
            if not was_sent:
                self._write(command)
            if self._manners.echo:
                self._read_echo(command, until)
            self._answer(parse, until)
        except (NoReply, BadReply, Refused):
            return False
        return True

    def _meet_again(self, expected: str | None) -> str:
        """Who answers on a line that was opened anew; asked once more if that is not whom we
        expect."""
        self._greetings.all_gone()
        return self._meet(lambda who: who == expected)

    def _meet(self, is_right: Callable[[str], bool]) -> str:
        self._in_step = False
        who = self._repeat(self._manners.reply_s, self._get_in_step)
        return who if is_right(who) else self._repeat(self._manners.reply_s, self._get_in_step)

    def _repeat(self, wait_s: float, attempt: Callable[[float], T]) -> T:
        longest_s = max(_ATTEMPTS * wait_s, min(_HURRIED * wait_s, _HELD_UP_S))
        deadline = self._clock.now() + longest_s
        bad_answers = 0
        for _ in range(_ATTEMPTS + int(longest_s / wait_s)):
            try:
                return attempt(deadline)
            except (NoReply, BadReply, Refused) as error:
                garbled = 0 if isinstance(error, Refused) else 1
                bad_answers += not isinstance(error, NoReply)
                if self._clock.now() >= deadline or bad_answers == _ATTEMPTS:
                    raise
                self._troubles += Troubles(retries=1, errors=garbled)
        return attempt(deadline)

    def _once(self, message: bytes, parse: Parse[T], wait_s: float, deadline: float) -> T:
        self._settle(deadline)
        until = min(deadline, self._clock.now() + wait_s)
        self._send(message, until)
        return self._answer(parse, until)

    def _settle(self, deadline: float) -> None:
        if self._discard_input() > 0 or not self._in_step:
            self._get_in_step(deadline)

    def _get_in_step(self, deadline: float) -> str:
        self._torn |= self._discard_input() > 0
        return self._hear_greeting(deadline)[0]

    def _hear_greeting(self, deadline: float) -> tuple[str, Refused | None]:
        """Greet, and throw away every line until the greeting is answered.

        Returns the answer, and the first refusal that came before it. The first line may be the
        rest of one whose beginning was thrown away, now or some attempts ago: it tells nothing of
        whoever sent it.
        """
        until = min(deadline, self._clock.now() + self._manners.reply_s)
        self._greet_once()
        refusal: Refused | None = None
        stranger: BadReply | None = None
        lines = self._lines(self._manners.reply_ending, until)
        while True:
            try:
                line = next(lines)
            except NoReply:
                if stranger is None and refusal is None:
                    raise
                raise stranger or BadReply(str(refusal)) from refusal
            torn, self._torn = self._torn, False
            if self._manners.echo:
                line = line.rpartition(self._manners.command_ending)[2]
            try:
                answer = self._recognise(line)
            except Refused as error:
                refusal = refusal or error
            except BadReply as error:
                stranger = None if torn else error
            except Unfinished:
                continue
            else:
                if self._greetings.answered(self._clock.now()):
                    self._in_step = True
                    return answer, refusal
                self._greet_once()

    def _greet_once(self) -> None:
        with self._floor.writing():
            self._in_step, self._ahead = False, []
            self._greetings.sent(self._clock.now())
            self._transport.write(self._greeting)

    def _write(self, message: bytes) -> None:
        with self._floor.writing():
            self._in_step, self._ahead = False, []
            self._greetings.something_else(self._clock.now())
            self._transport.write(message)

    def _send(self, message: bytes, deadline: float) -> None:
        self._write(message)
        if self._manners.echo:
            self._read_echo(message, deadline)

    def _answer(self, parse: Parse[T], deadline: float) -> T:
        lines = self._lines(self._manners.reply_ending, deadline)
        while True:
            reply = next(lines)
            try:
                answer = parse(reply)
            except Unfinished:
                continue
            except Refused:
                self._in_step = True
                raise
            except BadReply:
                if self._answers_greeting(reply):
                    continue
                raise
            self._in_step = True
            return answer

    def _answers_greeting(self, line: bytes) -> bool:
        """Whether a line is the late answer to a greeting that was given up for lost. Nothing that
        was asked before such a one is still to come."""
        try:
            self._recognise(line)
        except (BadReply, Refused, Unfinished):
            return False
        self._greetings.answered(self._clock.now())
        return True

    def _read_echo(self, message: bytes, deadline: float) -> None:
        ending = self._manners.command_ending
        echo = self._read_until(ending, deadline)
        if echo + ending != message:
            raise BadReply(f"the echo of {message!r} came back as {echo + ending!r}")

    def _lines(self, ending: bytes, deadline: float) -> Iterator[bytes]:
        """Lines as they come. What has come is read however late this process gets to look, but an
        instrument that never stops talking keeps nobody beyond the deadline."""
        yield self._read_until(ending, deadline)
        while self._clock.now() <= deadline:
            yield self._read_until(ending, deadline)
        raise NoReply("the instrument talks without end, and answers nothing that it was asked")

"""The phrases of an ASCII dialect, spoken on one line."""

from __future__ import annotations

from collections.abc import Mapping

from autocell.bench.protocols import Clock, Transport, Troubles
from autocell_drivers.ascii_codec import AsciiCodec, Status
from autocell_drivers.dialect import Dialect, Phrase, Query
from autocell_drivers.exchange import Exchange, Manners


class AsciiController:
    """One controller, spoken to as its dialect says."""

    def __init__(self, dialect: Dialect, transport: Transport, clock: Clock) -> None:
        self.dialect = dialect
        self.codec = AsciiCodec(dialect)
        self.clock = clock
        self._transport = transport
        self._exchange = Exchange(
            transport,
            clock,
            Manners(
                command_ending=dialect.command_ending.encode(dialect.encoding),
                reply_ending=dialect.reply_ending.encode(dialect.encoding),
                reply_s=dialect.reply_time_ms / 1000.0,
                echo=dialect.echo,
            ),
            greeting=self.codec.encode(dialect.identity),
            recognise=lambda raw: self.codec.match(dialect.identity, raw)["identity"],
        )

    @property
    def notes(self) -> tuple[str, ...]:
        """When the line was gone, and for how long."""
        return self._exchange.notes

    @property
    def troubles(self) -> Troubles:
        """What went wrong on its line so far."""
        return self._exchange.troubles

    def greet(self, expected: str) -> str:
        """What the controller calls itself; asked once more if that does not name ``expected``."""
        return self._exchange.greet(expected)

    def ask(self, query: Query, **fields: str) -> Mapping[str, str]:
        """The named groups of the answer to a query, repeated within its deadline."""
        return self._exchange.ask(
            self.codec.encode(query, **fields),
            lambda raw: self.codec.match(query, raw, **fields),
        )

    def repeat(self, phrase: Phrase, **fields: str) -> None:
        """A command that does no harm twice, until it is acknowledged."""
        command = self.codec.encode(phrase, **fields)
        if phrase.reply is None:
            self._exchange.once(command, None)
        else:
            self._exchange.ask(command, lambda raw: self.codec.match(phrase, raw, **fields))

    def once(self, phrase: Phrase, **fields: str) -> None:
        """A command that is sent one time, acknowledged or not."""
        command = self.codec.encode(phrase, **fields)
        if phrase.reply is None:
            self._exchange.once(command, None)
        else:
            self._exchange.once(command, lambda raw: self.codec.match(phrase, raw, **fields))

    def send_stop(self, axis: str) -> None:
        """Send an axis its stop and wait for nothing."""
        phrase = self.dialect.stop
        acknowledged = phrase.reply is not None
        self._exchange.send_ahead(self.codec.encode(phrase, axis=axis), acknowledged)

    def stop(self, axis: str) -> None:
        """Stop an axis whatever the line is doing; every axis, if that one does not confirm."""
        phrase = self.dialect.stop
        acknowledged = phrase.reply is not None
        self._exchange.urgent(
            self.codec.encode(phrase, axis=axis),
            (lambda raw: self.codec.match(phrase, raw, axis=axis)) if acknowledged else None,
            otherwise=self.codec.encode(self.dialect.stop_all),
        )

    def status(self, axis: str) -> Status:
        """What the controller says of an axis."""
        return self._exchange.ask(
            self.codec.encode(self.dialect.status, axis=axis),
            lambda raw: self.codec.status(raw, axis),
        )

    def number(self, query: Query, name: str, **fields: str) -> float:
        """A finite number of the answer to a query."""
        return self._exchange.ask(
            self.codec.encode(query, **fields),
            lambda raw: self.codec.number(self.codec.match(query, raw, **fields), name),
        )

    def close(self) -> None:
        """Let go of the line."""
        self._transport.close()

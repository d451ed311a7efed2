"""What SCPI instruments have in common: identity, error queue, and settings that are read back.

IEEE 488.2 and SCPI-1999 commands only. What differs between instruments stands in the bench file
as a small table of settings, each of them written, read back and compared.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NoReturn, Self

from autocell.bench.protocols import Clock, Connect, Line, Transport, Troubles
from autocell.errors import BadReply, BenchFileError, Refused, WrongIdentity
from autocell_drivers import scpi_codec, sections
from autocell_drivers.exchange import Exchange, Manners
from autocell_drivers.lasting_line import LastingLine

_DEVICE_KEYS = ("driver", "address", "identity", "path", "baud", "reconnect_s")
_MOST_ERRORS = 30


@dataclass(frozen=True)
class Station:
    """Where a device section of the bench file says that an instrument is, and who."""

    address: str
    identity: str
    baud: int
    reconnect_s: float

    @classmethod
    def of(cls, section: Mapping[str, Any]) -> Station:
        """From the device section. ``baud`` is for serial lines (115200), ``reconnect_s`` (60) for
        how long a line that has gone is waited for. Raises BenchFileError."""
        where = f"devices ({section.get('driver')} at {section.get('address')})"
        sections.refuse_unknown(section, _DEVICE_KEYS, where)
        return cls(
            sections.text(section, "address", where),
            sections.text(section, "identity", where),
            sections.whole_number(section, "baud", where, default=115200),
            sections.reconnect_s(section, where),
        )

    def connect(self, clock: Clock, connect: Connect) -> Transport:
        """Open the line. Raises Busy or Disconnected."""
        line = Line(clock, baud=self.baud)
        return LastingLine(connect, self.address, line, self.reconnect_s)


class ScpiInstrument:
    """One instrument, identified. ``kind`` is what it is, in words, ``reply_s`` how long it may
    take to answer.

    Raises NoReply or WrongIdentity; the transport stays the caller's to close then.
    """

    kind = "SCPI instrument"
    reply_s = 1.0

    @classmethod
    def open(cls, section: Mapping[str, Any], clock: Clock, connect: Connect) -> Self:
        """Open the instrument that a device section of the bench file describes.

        Keys of this driver: ``baud``, for serial lines (115200), and ``reconnect_s`` (60), for how
        long a line that has gone is waited for. Raises BenchFileError before anything is opened;
        then Busy, Disconnected, NoReply or WrongIdentity.
        """
        station = Station.of(section)
        transport = station.connect(clock, connect)
        try:
            return cls(transport, clock, station)
        except BaseException:
            transport.close()
            raise

    def __init__(self, transport: Transport, clock: Clock, station: Station) -> None:
        self._transport = transport
        self._exchange = Exchange(
            transport,
            clock,
            Manners(b"\n", b"\n", self.reply_s),
            greeting=b"*IDN?\n",
            recognise=scpi_codec.identity,
        )
        self._identity = self._identify(station)
        # What somebody else did wrong before is worth telling, and no reason to stop.
        self._notes = [f"old error in the queue: {old}" for old in self.errors()]
        self._exchange.tell(b"*CLS\n")
        self._set: list[tuple[scpi_codec.SettingTemplate, str]] = []
        self._exchange.on_return(self._set_again)

    @property
    def identity(self) -> str:
        """The answer to ``*IDN?``."""
        return self._identity

    @property
    def notes(self) -> Sequence[str]:
        """What was found and set while opening, for ``check``."""
        return (*self._notes, *self._exchange.notes)

    @property
    def troubles(self) -> Troubles:
        """What went wrong on its line so far."""
        return self._exchange.troubles

    def axis(self, name: str, section: Mapping[str, Any]) -> NoReturn:
        """Raises BenchFileError: it moves nothing."""
        raise self._is_no(f"axes.{name}", "motion controller")

    def shutter(self, section: Mapping[str, Any]) -> NoReturn:
        """Raises BenchFileError: SCPI has no command for a shutter."""
        raise self._is_no("shutter", "motion controller")

    def errors(self) -> list[str]:
        """Read the error queue until it is empty: ``number, text`` of each, oldest first.

        Query errors (−400 to −499, SCPI-1999 volume 2, 21.8) are left out: interrupting a late
        answer, as getting back in step does, causes them.
        """
        found: list[str] = []
        for _ in range(_MOST_ERRORS):
            number, text = self._exchange.ask(b"SYST:ERR?\n", scpi_codec.error)
            if number == 0:
                break
            if not -499 <= number <= -400:
                found.append(f"{number}, {text}")
        return found

    def close(self) -> None:
        """Let go of the instrument. Harmless twice."""
        self._transport.close()

    def _configure(self, rows: Sequence[scpi_codec.SettingTemplate], place: str) -> None:
        """Write settings and verify each, now and whenever the line was gone: who knows whether
        the instrument was off meanwhile. Raises Refused."""
        for row in rows:
            self._notes.append(self._apply(row, place))
            self._set.append((row, place))

    def _replace(
        self, row: scpi_codec.SettingTemplate, other: scpi_codec.SettingTemplate, place: str
    ) -> None:
        """Write and verify another setting in place of one. Raises Refused."""
        self._notes.append(self._apply(other, place))
        self._set = [(other, place) if old == (row, place) else old for old in self._set]

    def _tell(self, command: str, reply_s: float | None = None) -> None:
        """Send a command, and see that it was obeyed; with ``reply_s``, that it has ended by then
        (``*OPC?``, IEEE 488.2). Raises Refused, NoReply."""
        self._exchange.tell(f"{command}\n".encode("ascii"))
        if reply_s is not None:
            self._exchange.ask(b"*OPC?\n", scpi_codec.complete, reply_s=reply_s)
        if problems := self.errors():
            raise Refused(f"the {self.kind} refuses {command!r}: {'; '.join(problems)}")

    def _set_again(self) -> None:
        self.errors()
        for row, place in self._set:
            self._apply(row, place)

    def _is_no(self, place: str, wanted: str) -> BenchFileError:
        return BenchFileError(f"{place}.device: {self._identity} is a {self.kind}; name a {wanted}")

    def _identify(self, station: Station) -> str:
        expected = f"{station.address} should be {station.identity!r} (identity in the bench file)"
        try:
            found = self._exchange.greet(station.identity)
        except BadReply as error:
            raise WrongIdentity(f"{expected}, but answers as something else: {error}") from error
        if station.identity not in found:
            raise WrongIdentity(
                f"{expected}, but is {found!r}; check the address, or write the identity of this "
                "meter"
            )
        return found

    def _apply(self, row: scpi_codec.SettingTemplate, place: str) -> str:
        """Write one setting, read it back and compare, and once more if that does not come to it:
        few lines notice a flipped bit, in the setting or in what was sent before it. What it reads
        then. Raises Refused."""
        try:
            return self._written(row, place)
        except Refused:
            return self._written(row, place)

    def _written(self, row: scpi_codec.SettingTemplate, place: str) -> str:
        self._tell(row.set)
        found = self._exchange.ask(f"{row.ask}\n".encode("ascii"), scpi_codec.text)
        if not scpi_codec.same(found, row.expect):
            raise Refused(
                f"the {self.kind} was told {row.set!r}, but {row.ask} reads {found!r} instead of "
                f"{row.expect!r}; {self._cure(row, found, place)}"
            )
        return f"{row.ask} {found}"

    def _cure(self, row: scpi_codec.SettingTemplate, found: str, place: str) -> str:
        """What to do about a setting that reads back as ``found``."""
        return f"correct {place}.settings or the value in it"


def settings(
    section: Mapping[str, Any], name: str, values: Mapping[str, float]
) -> list[scpi_codec.SettingTemplate]:
    """The ``settings`` of a section with the values filled in. Raises BenchFileError."""
    rows = section.get("settings", [])
    if not isinstance(rows, Sequence) or isinstance(rows, str):
        raise BenchFileError(f"{name}.settings: write a list of {{set, ask, expect}}")
    filled = []
    for index, row in enumerate(rows):
        where = f"{name}.settings[{index}]"
        if not isinstance(row, Mapping):
            raise BenchFileError(f"{where}: write {{set: …, ask: …, expect: …}}")
        sections.refuse_unknown(row, ("set", "ask", "expect"), where)
        parts = {part: sections.text(row, part, where) for part in ("set", "ask", "expect")}
        if not parts["ask"].endswith("?"):
            raise BenchFileError(f"{where}.ask {parts['ask']!r} is no query; it ends in ?")
        try:
            template = scpi_codec.SettingTemplate(parts["set"], parts["ask"], parts["expect"])
            filled.append(template.fill(values))
        except ValueError as error:
            raise BenchFileError(f"{where}.{error}") from error
    return filled

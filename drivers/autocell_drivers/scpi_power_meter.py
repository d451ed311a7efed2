"""Power meters that talk SCPI: IEEE 488.2 and SCPI-1999 commands only.

What differs between instruments stands in the bench file as a small table of settings, each of
them written, read back and compared.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, NoReturn

from autocell.bench.protocols import Clock, Connect, Line, RawReading, Transport
from autocell.errors import BadReply, BenchFileError, Refused, WrongIdentity
from autocell_drivers import scpi_codec, sections
from autocell_drivers.exchange import Exchange, Manners

_DEVICE_KEYS = ("driver", "address", "identity", "path", "baud")
_REPLY_S = 1.0
_MOST_ERRORS = 30
_WRITE_ATTEMPTS = 2


def open_device(section: Mapping[str, Any], clock: Clock, connect: Connect) -> ScpiPowerMeter:
    """Open the meter that a device section of the bench file describes.

    The one key of this driver is ``baud``, for serial lines (115200). Raises BenchFileError
    before anything is opened; then Busy, Disconnected, NoReply or WrongIdentity.
    """
    where = f"devices ({section.get('driver')} at {section.get('address')})"
    sections.refuse_unknown(section, _DEVICE_KEYS, where)
    address = sections.text(section, "address", where)
    expected = sections.text(section, "identity", where)
    baud = sections.whole_number(section, "baud", where, default=115200)

    transport = connect(address, Line(clock, baud=baud))
    try:
        return ScpiPowerMeter(transport, clock, address, expected)
    except BaseException:
        transport.close()
        raise


class ScpiPowerMeter:
    """One instrument, with one power meter channel or more."""

    def __init__(self, transport: Transport, clock: Clock, address: str, expected: str) -> None:
        self._transport = transport
        self._exchange = Exchange(
            transport,
            clock,
            Manners(b"\n", b"\n", _REPLY_S),
            greeting=b"*IDN?\n",
            recognise=scpi_codec.identity,
        )
        self._identity = self._identify(address, expected)
        self._notes: list[str] = []
        # What somebody else did wrong before is worth telling, and no reason to stop.
        self._notes += [f"old error in the queue: {old}" for old in self.errors()]
        self._exchange.tell(b"*CLS\n")

    @property
    def identity(self) -> str:
        """The answer to ``*IDN?``."""
        return self._identity

    @property
    def notes(self) -> Sequence[str]:
        """What was found and set while opening, for ``check``."""
        return tuple(self._notes)

    def axis(self, name: str, section: Mapping[str, Any]) -> NoReturn:
        """Raises BenchFileError: a power meter moves nothing."""
        raise BenchFileError(
            f"axes.{name}.device: {self._identity} is a power meter; name a motion controller"
        )

    def shutter(self, section: Mapping[str, Any]) -> NoReturn:
        """Raises BenchFileError: SCPI has no command for a shutter."""
        raise BenchFileError(
            f"shutter.device: {self._identity} is a power meter; name a motion controller"
        )

    def power_meter(self, name: str, section: Mapping[str, Any]) -> ScpiMeterChannel:
        """Set up a channel by the ``settings`` of its section, and verify each of them.

        Keys of this driver: ``channel`` (1), ``settings`` and ``sample_ms`` (1), the time of one
        of the samples that ``{averages}`` counts. Fields of the settings: ``{wavelength_nm}``,
        ``{wavelength_m}``, ``{range_w}``, ``{averages}`` and ``{averaging_ms}``. Raises
        BenchFileError before anything is sent; Refused when the instrument does not take a value.
        """
        channel = sections.whole_number(section, "channel", name, default=1)
        values = _values(section, name)
        for row in _settings(section, name, values):
            self._notes.append(self._apply(row))
        suffix = "" if channel == 1 else str(channel)
        return ScpiMeterChannel(
            name,
            f"READ{suffix}?\n".encode("ascii"),
            values["range_w"],
            values["averaging_ms"] / 1e3,
            self._exchange,
        )

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

    def _identify(self, address: str, expected: str) -> str:
        try:
            found = self._exchange.greet()
        except BadReply as error:
            raise WrongIdentity(
                f"{address} should be {expected!r} (identity in the bench file), but answers as "
                f"something else: {error}"
            ) from error
        if expected not in found:
            raise WrongIdentity(
                f"{address} should be {expected!r} (identity in the bench file), but is "
                f"{found!r}; check the address, or write the identity of this meter"
            )
        return found

    def _apply(self, row: scpi_codec.SettingTemplate) -> str:
        for _ in range(_WRITE_ATTEMPTS):
            self._exchange.tell(f"{row.set}\n".encode("ascii"))
            if problems := self.errors():
                raise Refused(f"the power meter refuses {row.set!r}: {'; '.join(problems)}")
            found = self._exchange.ask(f"{row.ask}\n".encode("ascii"), scpi_codec.text)
            if scpi_codec.same(found, row.expect):
                return f"{row.ask} {found}"
        raise Refused(
            f"the power meter was told {row.set!r}, but {row.ask} reads {found!r} instead of "
            f"{row.expect!r}; correct power_meter.settings or the value in it"
        )


class ScpiMeterChannel:
    """One channel. Each reading is a fresh measurement: ``READ?`` starts it (SCPI-1999)."""

    def __init__(
        self, name: str, question: bytes, range_w: float, averaging_s: float, exchange: Exchange
    ) -> None:
        self._name = name
        self._question = question
        self._range_w = range_w
        self._averaging_s = averaging_s
        self._exchange = exchange

    @property
    def name(self) -> str:
        """As the bench file calls it."""
        return self._name

    @property
    def reading_time_s(self) -> float:
        """How long one fresh reading takes."""
        return self._averaging_s

    def read(self) -> RawReading:
        """Take one fresh reading (W). Raises NoReply, BadReply or Disconnected."""
        return self._exchange.ask(
            self._question,
            lambda raw: scpi_codec.reading(raw, self._range_w),
            reply_s=_REPLY_S + 2.0 * self._averaging_s,
        )


def _values(section: Mapping[str, Any], name: str) -> dict[str, float]:
    wavelength_nm = sections.positive(section, "wavelength_nm", name)
    averaging_ms = sections.positive(section, "averaging_ms", name)
    sample_ms = sections.positive(section, "sample_ms", name, default=1.0)
    return {
        "wavelength_nm": wavelength_nm,
        "wavelength_m": wavelength_nm * 1e-9,
        "range_w": sections.positive(section, "range_mw", name) * 1e-3,
        "averages": max(1, round(averaging_ms / sample_ms)),
        "averaging_ms": averaging_ms,
    }


def _settings(
    section: Mapping[str, Any], name: str, values: Mapping[str, float]
) -> list[scpi_codec.SettingTemplate]:
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
            filled.append(scpi_codec.SettingTemplate(**parts).fill(values))
        except ValueError as error:
            raise BenchFileError(f"{where}.{error}") from error
    return filled

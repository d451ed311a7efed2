"""Power meters that talk SCPI."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from autocell.bench.protocols import RawReading
from autocell.errors import BadReply, BenchFileError, Refused
from autocell_drivers import scpi_codec, sections
from autocell_drivers.exchange import Exchange
from autocell_drivers.scpi_codec import SettingTemplate
from autocell_drivers.scpi_instrument import ScpiInstrument, settings

_RANGE = "range_w"
_NEXT_RANGES = (2.0, 10.0)
"""Instruments take the smallest range that holds what they are told; ranges lie a factor of ten
apart at most. [trade]"""


@dataclass(frozen=True)
class Zeroing:
    """How an instrument takes its zero, how it is asked for it (W), how long that may take, and
    how large a zero in the dark may be."""

    set: str
    ask: str
    takes_s: float
    largest_w: float


@dataclass(frozen=True)
class Channel:
    """A channel as the bench file has it: what it is called, how it is asked for a reading, its
    range (W) and averaging time (s), and the row of the settings that has the range, if any."""

    name: str
    question: bytes
    range_w: float
    averaging_s: float
    range_row: SettingTemplate | None
    range_row_for: Callable[[float], SettingTemplate | None]
    """The same row for another range."""


class ScpiPowerMeter(ScpiInstrument):
    """One instrument, with one power meter channel or more."""

    kind = "power meter"

    def power_meter(self, name: str, section: Mapping[str, Any]) -> ScpiMeterChannel:
        """Set up a channel by the ``settings`` of its section, and verify each of them.

        Keys of this driver: ``channel`` (1), ``settings`` and ``sample_ms`` (1), the time of one
        of the samples that ``{averages}`` counts. Fields of the settings: ``{wavelength_nm}``,
        ``{wavelength_m}``, ``{range_w}``, ``{averages}`` and ``{averaging_ms}``; the row with
        ``{range_w}`` is how its range is asked for later. With ``zeroing`` (``set``, ``ask``,
        ``takes_ms``, ``largest_uw``) the channel can be zeroed; nothing is zeroed here. Raises
        BenchFileError before anything is sent; Refused when the instrument does not take a value.
        """
        channel = sections.whole_number(section, "channel", name, default=1)
        values = _values(section, name)
        zeroing = _zeroing(section, name)
        rows = settings(section, name, values)
        self._configure(rows, name)
        suffix = "" if channel == 1 else str(channel)

        def range_row_for(range_w: float) -> SettingTemplate | None:
            return _range_row(settings(section, name, {**values, _RANGE: range_w}))

        channel_of = Channel(
            name,
            f"READ{suffix}?\n".encode("ascii"),
            values[_RANGE],
            values["averaging_ms"] / 1e3,
            _range_row(rows),
            range_row_for,
        )
        if zeroing is None:
            return ScpiMeterChannel(channel_of, self, self._exchange)
        return ZeroingChannel(channel_of, self, self._exchange, zeroing)

    def keep_range(self, row: SettingTemplate, place: str) -> str | None:
        """Ask for a setting, and write it again if it reads otherwise: what it read then."""
        found = self._exchange.ask(f"{row.ask}\n".encode("ascii"), scpi_codec.text)
        if scpi_codec.same(found, row.expect):
            return None
        self._apply(row, place)
        return (
            f"somebody has changed a setting of {place}: {row.ask} read {found} instead of "
            f"{row.expect}; it was set again"
        )

    def in_larger_range(self, channel: Channel) -> Channel | None:
        """Have the instrument take the next larger range: the channel as it is then. None, with
        the range as it was, where it takes none."""
        if channel.range_row is None:
            return None
        for factor in _NEXT_RANGES:
            asked = channel.range_row_for(factor * channel.range_w)
            assert asked is not None
            try:
                self._tell(asked.set)
                found_w = self._exchange.ask(f"{asked.ask}\n".encode("ascii"), scpi_codec.number)
                if math.isfinite(found_w) and found_w > 1.01 * channel.range_w:
                    row = channel.range_row_for(found_w)
                    assert row is not None
                    self._replace(channel.range_row, row, channel.name)
                    return replace(channel, range_w=found_w, range_row=row)
            except (BadReply, Refused):
                continue  # it has no range that large, or said what is none
        self._apply(channel.range_row, channel.name)
        return None

    def zero(self, zeroing: Zeroing, place: str) -> float:
        """Have the instrument take its zero, and read it back, W. Raises Refused when it does not
        obey, or when what it took is more than a dark level."""
        self._tell(zeroing.set, ScpiPowerMeter.reply_s + zeroing.takes_s)
        found_w = self.zero_w(zeroing)
        if not abs(found_w) <= zeroing.largest_w:
            raise Refused(
                f"the {self.kind} was told {zeroing.set!r}, and its zero is {found_w * 1e6:.3g} µW "
                f"now, more than {place}.zeroing.largest_uw ({zeroing.largest_w * 1e6:g}): it saw "
                "light; zero it again in the dark"
            )
        return found_w

    def zero_w(self, zeroing: Zeroing) -> float:
        """The zero that the instrument has, W."""
        return self._exchange.ask(f"{zeroing.ask}\n".encode("ascii"), scpi_codec.number)

    def _cure(self, row: SettingTemplate, found: str, place: str) -> str:
        """A meter has few ranges, and takes the next one for a range between them."""
        usual = super()._cure(row, found, place)
        try:
            range_w = scpi_codec.number(found.encode())
        except BadReply:
            return usual
        if _RANGE not in row.tells or not 0.0 < range_w < math.inf:
            return usual
        return (
            f"if that is the nearest range that the instrument has, and it suits the light, write "
            f"{place}.range_mw: {range_w * 1e3:.6g}; if not, {usual}"
        )


class ScpiMeterChannel:
    """One channel. Each reading is a fresh measurement: ``READ?`` starts it (SCPI-1999)."""

    def __init__(self, channel: Channel, instrument: ScpiPowerMeter, exchange: Exchange) -> None:
        self._channel = channel
        self._instrument = instrument
        self._exchange = exchange

    @property
    def name(self) -> str:
        """As the bench file calls it."""
        return self._channel.name

    @property
    def reading_time_s(self) -> float:
        """How long one fresh reading takes."""
        return self._channel.averaging_s

    def read(self) -> RawReading:
        """Take one fresh reading (W). Raises NoReply, BadReply or Disconnected."""
        return self._exchange.ask(
            self._channel.question,
            lambda raw: scpi_codec.reading(raw, self._channel.range_w),
            reply_s=ScpiPowerMeter.reply_s + 2.0 * self._channel.averaging_s,
        )

    def check_range(self) -> str | None:
        """Read the range back, and set it again where somebody has changed it: what was found
        then, in words. None where it is as it was set, or no row of the settings has it."""
        row = self._channel.range_row
        return None if row is None else self._instrument.keep_range(row, self.name)

    def take_larger_range(self) -> float | None:
        """Change to the next larger range of the instrument; that range, W. None where no row of
        the settings says how, or the instrument has none."""
        larger = self._instrument.in_larger_range(self._channel)
        if larger is None:
            return None
        self._channel = larger
        return larger.range_w


class ZeroingChannel(ScpiMeterChannel):
    """A channel whose bench file says how it is zeroed.

    A meter that comes back after its line was gone without the zero that it had is refused: dark
    levels that were read before no longer hold.
    """

    def __init__(
        self, channel: Channel, instrument: ScpiPowerMeter, exchange: Exchange, zeroing: Zeroing
    ) -> None:
        super().__init__(channel, instrument, exchange)
        self._zeroing = zeroing
        self._zero_w: float | None = None
        exchange.on_return(self._has_kept_its_zero)

    def zero(self) -> float:
        """Take what falls on the detector now for no light; the zero as it reads back, W.

        Whoever calls sees to the dark. Raises Refused when the instrument does not obey, or took
        more than the bench file's largest zero; NoReply, BadReply or Disconnected.
        """
        self._zero_w = None
        self._zero_w = self._instrument.zero(self._zeroing, self.name)
        return self._zero_w

    def _has_kept_its_zero(self) -> None:
        if self._zero_w is None:
            return
        found_w = self._instrument.zero_w(self._zeroing)
        if not math.isclose(found_w, self._zero_w, rel_tol=1e-3, abs_tol=1e-12):
            raise Refused(
                f"{self.name} was gone, and its zero is {found_w * 1e6:.3g} µW now instead of "
                f"{self._zero_w * 1e6:.3g} µW: was it switched off? Start anew, to zero it"
            )


def _range_row(rows: Sequence[SettingTemplate]) -> SettingTemplate | None:
    return next((row for row in rows if _RANGE in row.tells), None)


def _zeroing(section: Mapping[str, Any], name: str) -> Zeroing | None:
    words = section.get("zeroing")
    if words is None:
        return None
    where = f"{name}.zeroing"
    if not isinstance(words, Mapping):
        raise BenchFileError(f"{where}: write {{set: …, ask: …, largest_uw: …}}")
    sections.refuse_unknown(words, ("set", "ask", "takes_ms", "largest_uw"), where)
    told = {part: sections.text(words, part, where) for part in ("set", "ask")}
    for part, text in told.items():
        if text.endswith("?") != (part == "ask"):
            raise BenchFileError(f"{where}.{part} is {text!r}; set is a command, ask a query")
        if not text.isascii() or not text.isprintable():
            raise BenchFileError(f"{where}.{part}: {text!r} is not printable ASCII")
    return Zeroing(
        **told,
        takes_s=sections.positive(words, "takes_ms", where, default=5000.0) / 1e3,
        largest_w=sections.positive(words, "largest_uw", where) * 1e-6,
    )


def _values(section: Mapping[str, Any], name: str) -> dict[str, float]:
    wavelength_nm = sections.positive(section, "wavelength_nm", name)
    averaging_ms = sections.positive(section, "averaging_ms", name)
    sample_ms = sections.positive(section, "sample_ms", name, default=1.0)
    return {
        "wavelength_nm": wavelength_nm,
        "wavelength_m": wavelength_nm * 1e-9,
        _RANGE: sections.positive(section, "range_mw", name) * 1e-3,
        "averages": max(1, round(averaging_ms / sample_ms)),
        "averaging_ms": averaging_ms,
    }


open_device = ScpiPowerMeter.open
"""What the entry point names: see :meth:`ScpiInstrument.open`."""

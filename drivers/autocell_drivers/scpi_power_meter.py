"""Power meters that talk SCPI."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from autocell.bench.protocols import RawReading
from autocell_drivers import scpi_codec, sections
from autocell_drivers.exchange import Exchange
from autocell_drivers.scpi_instrument import ScpiInstrument, settings


class ScpiPowerMeter(ScpiInstrument):
    """One instrument, with one power meter channel or more."""

    kind = "power meter"

    def power_meter(self, name: str, section: Mapping[str, Any]) -> ScpiMeterChannel:
        """Set up a channel by the ``settings`` of its section, and verify each of them.

        Keys of this driver: ``channel`` (1), ``settings`` and ``sample_ms`` (1), the time of one
        of the samples that ``{averages}`` counts. Fields of the settings: ``{wavelength_nm}``,
        ``{wavelength_m}``, ``{range_w}``, ``{averages}`` and ``{averaging_ms}``. Raises
        BenchFileError before anything is sent; Refused when the instrument does not take a value.
        """
        channel = sections.whole_number(section, "channel", name, default=1)
        values = _values(section, name)
        self._configure(settings(section, name, values), name)
        suffix = "" if channel == 1 else str(channel)
        return ScpiMeterChannel(
            name,
            f"READ{suffix}?\n".encode("ascii"),
            values["range_w"],
            values["averaging_ms"] / 1e3,
            self._exchange,
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
            reply_s=ScpiPowerMeter.reply_s + 2.0 * self._averaging_s,
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


open_device = ScpiPowerMeter.open
"""What the entry point names: see :meth:`ScpiInstrument.open`."""

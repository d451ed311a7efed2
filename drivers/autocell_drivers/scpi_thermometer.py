"""Thermometers that talk SCPI: ``READ?`` answers the temperature in degrees Celsius."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, NoReturn

from autocell.errors import BadReply
from autocell_drivers import scpi_codec, sections
from autocell_drivers.exchange import Exchange
from autocell_drivers.scpi_instrument import ScpiInstrument

_COLDEST_C, _HOTTEST_C = -90.0, 150.0
"""What the base of a bench may be at. Beyond that the reply is damaged, or in another unit."""


class ScpiThermometer(ScpiInstrument):
    """One instrument, with one probe or more."""

    kind = "thermometer"

    def power_meter(self, name: str, section: Mapping[str, Any]) -> NoReturn:
        """Raises BenchFileError: its channels are temperatures."""
        raise self._is_no(name, "power meter")

    def thermometer(self, name: str, section: Mapping[str, Any]) -> ScpiProbe:
        """A probe; the key of this driver is ``channel`` (1). Raises BenchFileError."""
        channel = sections.whole_number(section, "channel", name, default=1)
        suffix = "" if channel == 1 else str(channel)
        return ScpiProbe(name, f"READ{suffix}?\n".encode("ascii"), self._exchange)


class ScpiProbe:
    """One probe. Each reading is a fresh measurement: ``READ?`` starts it (SCPI-1999)."""

    def __init__(self, name: str, question: bytes, exchange: Exchange) -> None:
        self._name = name
        self._question = question
        self._exchange = exchange

    @property
    def name(self) -> str:
        """As the bench file calls it."""
        return self._name

    def read(self) -> float:
        """Take one fresh reading, °C; NaN for what SCPI writes for none.

        Raises NoReply, BadReply or Disconnected.
        """
        return self._exchange.ask(self._question, temperature)


def temperature(raw: bytes) -> float:
    """A reply to ``READ?`` in °C; ±9.9E37, 9.91E37 and NAN become NaN. Raises BadReply."""
    value = scpi_codec.number(raw)
    if not math.isfinite(value):
        return math.nan
    if not _COLDEST_C <= value <= _HOTTEST_C:
        raise BadReply(
            f"{scpi_codec.text(raw)!r} is no temperature of a bench in °C; does the thermometer "
            "answer in kelvin?"
        )
    return value


open_device = ScpiThermometer.open
"""What the entry point names: see :meth:`ScpiInstrument.open`."""

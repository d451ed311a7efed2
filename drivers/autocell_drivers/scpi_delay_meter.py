"""Meters that tell the phase of intensity-modulated light by SCPI: lock-in amplifiers, vector
voltmeters, phase meters behind a fast photodiode.

Which of its quantities the instrument measures, and in which unit, is for the ``settings`` in the
bench file to say: this driver takes what ``READ?`` answers for a phase in radians.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, NoReturn

from autocell.errors import BadReply
from autocell_drivers import scpi_codec, sections
from autocell_drivers.exchange import Exchange
from autocell_drivers.scpi_instrument import ScpiInstrument, settings

_MOST_TURNS = 2.0
"""A phase comes within one turn, whatever the instrument calls zero. More is a damaged reply."""


class ScpiDelayMeter(ScpiInstrument):
    """One instrument, with one phase channel or more."""

    kind = "delay meter"

    def power_meter(self, name: str, section: Mapping[str, Any]) -> NoReturn:
        """Raises BenchFileError: its channels are phases."""
        raise self._is_no(name, "power meter")

    def delay_meter(self, name: str, section: Mapping[str, Any]) -> ScpiPhaseChannel:
        """Set up a channel by the ``settings`` of its section, and verify each of them.

        Keys of this driver: ``channel`` (1), ``direction`` (1; -1 where the phase falls as the
        path grows), ``settings`` and ``sample_ms`` (1), the time of one of the samples that
        ``{averages}`` counts. Fields of the settings: ``{modulation_hz}``, ``{modulation_mhz}``,
        ``{averages}`` and ``{averaging_ms}``. Raises BenchFileError before anything is sent;
        Refused when the instrument does not take a value.
        """
        channel = sections.whole_number(section, "channel", name, default=1)
        direction = sections.direction(section, name)
        values = _values(section, name)
        self._configure(settings(section, name, values), name)
        suffix = "" if channel == 1 else str(channel)
        return ScpiPhaseChannel(
            name,
            f"READ{suffix}?\n".encode("ascii"),
            direction,
            values["averaging_ms"] / 1e3,
            self._exchange,
        )


class ScpiPhaseChannel:
    """One channel. Each reading is a fresh measurement: ``READ?`` starts it (SCPI-1999)."""

    def __init__(
        self,
        name: str,
        question: bytes,
        direction: int,
        averaging_s: float,
        exchange: Exchange,
    ) -> None:
        self._name = name
        self._question = question
        self._direction = direction
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

    def read(self) -> float:
        """Take one fresh phase, rad; NaN for what SCPI writes for none.

        Raises NoReply, BadReply or Disconnected.
        """
        return self._direction * self._exchange.ask(
            self._question, phase, reply_s=ScpiDelayMeter.reply_s + 2.0 * self._averaging_s
        )


def phase(raw: bytes) -> float:
    """A reply to ``READ?`` in radians; ±9.9E37, 9.91E37 and NAN become NaN. Raises BadReply."""
    value = scpi_codec.number(raw)
    if not math.isfinite(value):
        return math.nan
    if abs(value) > 2.0 * math.pi * _MOST_TURNS:
        raise BadReply(
            f"{scpi_codec.text(raw)!r} rad is more than {_MOST_TURNS:g} turns; does the meter "
            "answer in degrees? Set its unit of angle to radians in delay_meter.settings"
        )
    return value


def _values(section: Mapping[str, Any], name: str) -> dict[str, float]:
    modulation_mhz = sections.positive(section, "modulation_mhz", name)
    averaging_ms = sections.positive(section, "averaging_ms", name)
    sample_ms = sections.positive(section, "sample_ms", name, default=1.0)
    return {
        "modulation_mhz": modulation_mhz,
        "modulation_hz": modulation_mhz * 1e6,
        "averages": max(1, round(averaging_ms / sample_ms)),
        "averaging_ms": averaging_ms,
    }


open_device = ScpiDelayMeter.open
"""What the entry point names: see :meth:`ScpiInstrument.open`."""

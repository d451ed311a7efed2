"""The delay meter's SCPI dialect: MEASure, READ, FETCh, INITiate, SENSe, SOURce and UNIT of
SCPI-1999.

It answers the phase of the light against its own modulation, which falls as the path grows,
within half a turn of zero and in degrees unless told otherwise.
"""

from __future__ import annotations

import math

from autocell_simulators.delay_meter import SimulatedDelayMeter
from autocell_simulators.scpi_instrument import Answer, ScpiInstrument, Span, command, nothing
from autocell_simulators.scpi_syntax import ScpiError, scientific

_HERTZ = {"HZ": 1.0, "KHZ": 1e3, "MHZ": 1e6, "MAHZ": 1e6, "GHZ": 1e9}
"""IEEE 488.2, 7.7.3: before HZ an M is mega, not milli [mem]."""

_NOT_A_NUMBER = "+9.91000000E+37"
"""SCPI-1999 volume 1, 7.2.1 [mem]."""


class ScpiDelayMeter(ScpiInstrument):
    """The delay meter's end of one line."""

    __slots__ = ("_degrees", "_meter")

    identity = "EXAMPLE,DELAY-METER,0001,1.0"

    def __init__(self, meter: SimulatedDelayMeter) -> None:
        self._meter = meter
        self._degrees = True
        super().__init__(meter)

    def _reset_all(self) -> None:
        self._degrees = True
        self._reset()

    def _read(self) -> Answer:
        self._meter.begin(self._now_s)
        return self._fetch

    def _initiate(self) -> None:
        if self._meter.done_s is not None:
            raise ScpiError(-213)
        self._meter.begin(self._now_s)

    def _fetch(self) -> Answer:
        if self._meter.done_s is not None:
            return self._fetch
        if self._meter.last_rad is None:
            raise ScpiError(-230)
        if math.isnan(self._meter.last_rad):
            return _NOT_A_NUMBER
        phase_rad = math.remainder(-self._meter.last_rad, 2.0 * math.pi)
        return scientific(math.degrees(phase_rad) if self._degrees else phase_rad)

    def _set_frequency(self, text: str) -> None:
        self._meter.abort()
        self._meter.frequency_hz = self._frequencies_hz().within(text, _HERTZ)

    def _frequency(self, which: str = "") -> str:
        return scientific(self._frequencies_hz().asked(which, self._meter.frequency_hz))

    def _frequencies_hz(self) -> Span:
        low, high = self._meter.traits.frequencies_hz
        return Span(low, high, self._meter.traits.default_frequency_hz)

    def _set_averages(self, text: str) -> None:
        self._meter.averages = round(self._averages_span().within(text, {}))

    def _averages(self, which: str = "") -> str:
        return f"{self._averages_span().asked(which, self._meter.averages):.0f}"

    def _averages_span(self) -> Span:
        return Span(1, self._meter.traits.most_averages, self._meter.traits.averages)

    def _set_angle(self, text: str) -> None:
        if text.upper() not in ("DEG", "RAD"):
            raise ScpiError(-224)
        self._degrees = text.upper() == "DEG"


ScpiDelayMeter.commands = (
    command("*RST", ScpiDelayMeter._reset_all),
    command("ABORt", lambda meter: meter._meter.abort()),
    command("INITiate[:IMMediate]", ScpiDelayMeter._initiate),
    command("FETCh#[:PHASe]?", ScpiDelayMeter._fetch),
    command("READ#[:PHASe]?", ScpiDelayMeter._read),
    command("MEASure#[:PHASe]?", ScpiDelayMeter._read),
    command("CONFigure#[:PHASe]", nothing),
    command("CONFigure#?", lambda meter: '"PHAS"'),
    command("[SENSe#:]AVERage:COUNt", ScpiDelayMeter._set_averages, 1),
    command("[SENSe#:]AVERage:COUNt?", ScpiDelayMeter._averages, 0, 1),
    command("SOURce#:FREQuency[:CW]", ScpiDelayMeter._set_frequency, 1),
    command("SOURce#:FREQuency[:CW]?", ScpiDelayMeter._frequency, 0, 1),
    command("UNIT:ANGLe", ScpiDelayMeter._set_angle, 1),
    command("UNIT:ANGLe?", lambda meter: "DEG" if meter._degrees else "RAD"),
)  # fmt: skip

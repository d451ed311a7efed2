"""The power meter's SCPI dialect: MEASure, READ, FETCh, INITiate and SENSe of SCPI-1999."""

from __future__ import annotations

from autocell_simulators.meter import SimulatedMeter
from autocell_simulators.scpi_instrument import Answer, ScpiInstrument, Span, command, nothing
from autocell_simulators.scpi_syntax import ScpiError, boolean, scientific

_WATT = {"W": 1.0, "MW": 1e-3, "UW": 1e-6, "NW": 1e-9}
_NANOMETRE = {"NM": 1.0, "UM": 1e3, "M": 1e9}


class ScpiMeter(ScpiInstrument):
    """The power meter's end of one line."""

    __slots__ = ("_meter",)

    identity = "EXAMPLE,POWER-METER,0001,1.0"

    def __init__(self, meter: SimulatedMeter) -> None:
        self._meter = meter
        super().__init__(meter)

    def _read(self) -> Answer:
        if self._meter.zeroing:
            return self._read
        self._meter.begin(self._now_s)
        return self._fetch

    def _initiate(self) -> None:
        if self._meter.done_s is not None:
            raise ScpiError(-213)
        self._meter.begin(self._now_s)

    def _fetch(self) -> Answer:
        if self._meter.done_s is not None:
            return self._fetch
        if self._meter.last_w is None:
            raise ScpiError(-230)
        return scientific(self._meter.last_w)

    def _zero(self) -> None:
        self._meter.begin(self._now_s, "zero")

    def _set_wavelength(self, text: str) -> None:
        self._meter.wavelength_m = 1e-9 * self._wavelengths_nm().within(text, _NANOMETRE)

    def _wavelength(self, which: str = "") -> str:
        return f"{self._wavelengths_nm().asked(which, self._meter.wavelength_m * 1e9):.3f}"

    def _wavelengths_nm(self) -> Span:
        low, high = self._meter.traits.wavelengths_m
        return Span(low * 1e9, high * 1e9, self._meter.traits.default_wavelength_m * 1e9)

    def _set_range(self, text: str) -> None:
        self._meter.set_range(self._ranges_w().within(text, _WATT), self._now_s)

    def _range(self, which: str = "") -> str:
        return scientific(self._ranges_w().asked(which, self._meter.range_w))

    def _ranges_w(self) -> Span:
        ranges = self._meter.traits.ranges_w
        return Span(ranges[0], ranges[-1], ranges[-1])

    def _set_auto_range(self, text: str) -> None:
        self._meter.auto_range = boolean(text)

    def _set_averages(self, text: str) -> None:
        self._meter.averages = round(self._averages_span().within(text, {}))

    def _averages(self, which: str = "") -> str:
        return f"{self._averages_span().asked(which, self._meter.averages):.0f}"

    def _averages_span(self) -> Span:
        return Span(1, self._meter.traits.most_averages, self._meter.traits.averages)

    def _set_unit(self, text: str) -> None:
        if text.upper() != "W":
            raise ScpiError(-224)


ScpiMeter.commands = (
    command("ABORt", lambda meter: meter._meter.abort()),
    command("INITiate[:IMMediate]", ScpiMeter._initiate),
    command("FETCh#[:SCALar][:POWer][:DC]?", ScpiMeter._fetch),
    command("READ#[:SCALar][:POWer][:DC]?", ScpiMeter._read),
    command("MEASure#[:SCALar][:POWer][:DC]?", ScpiMeter._read),
    command("CONFigure#[:SCALar][:POWer][:DC]", nothing),
    command("CONFigure#?", lambda meter: '"POW"'),
    command("[SENSe#:]POWer[:DC]:WAVelength", ScpiMeter._set_wavelength, 1),
    command("[SENSe#:]POWer[:DC]:WAVelength?", ScpiMeter._wavelength, 0, 1),
    command("[SENSe#:]POWer[:DC]:RANGe[:UPPer]", ScpiMeter._set_range, 1),
    command("[SENSe#:]POWer[:DC]:RANGe[:UPPer]?", ScpiMeter._range, 0, 1),
    command("[SENSe#:]POWer[:DC]:RANGe:AUTO", ScpiMeter._set_auto_range, 1),
    command("[SENSe#:]POWer[:DC]:RANGe:AUTO?", lambda meter: str(int(meter._meter.auto_range))),
    command("[SENSe#:]AVERage:COUNt", ScpiMeter._set_averages, 1),
    command("[SENSe#:]AVERage:COUNt?", ScpiMeter._averages, 0, 1),
    command("[SENSe#:]CORRection:COLLect:ZERO[:INITiate]", ScpiMeter._zero),
    command("[SENSe#:]CORRection:COLLect:ZERO:MAGNitude?",
             lambda meter: scientific(meter._meter.zero_w)),
    command("UNIT:POWer", ScpiMeter._set_unit, 1),
    command("UNIT:POWer?", lambda meter: "W"),
)  # fmt: skip

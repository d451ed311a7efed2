"""Instruments that may stand on a simulated bench besides those of its bench file.

A *reference meter* sees a part of the laser's light before shutter and cell: what falls on both
meters alike is the laser. A *thermometer* is fixed to the base.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from typing import Literal, Protocol

import numpy as np

from autocell.description import BenchDescription
from autocell_simulators.lines import Dialect
from autocell_simulators.meter import MeterTraits, SimulatedMeter
from autocell_simulators.scpi_instrument import Answer, ScpiInstrument, command
from autocell_simulators.scpi_meter import ScpiMeter
from autocell_simulators.scpi_syntax import ScpiError, scientific
from autocell_simulators.seeds import stream
from autocell_simulators.truth import Truth

ExtraName = Literal["reference-meter", "thermometer"]
PICK_OFF = 0.01
"""Part of the laser's light that goes to the reference meter. [trade]"""
BASE_LAG_S = 1800.0
ALIGNED_AT_C = 21.0


class Sampled(Protocol):
    """What is to be shown something at a time of its own."""

    @property
    def next_sample_s(self) -> float | None:
        """When; None when nothing is being measured."""
        ...

    def take(self, value: float, /) -> None:
        """Be shown it."""
        ...


@dataclasses.dataclass(frozen=True)
class Extra:
    """One such instrument: its line's end, what measures, and what it is shown at a time (s)."""

    dialect: Dialect
    device: Sampled
    sees: Callable[[float], float]


class SimulatedThermometer:
    """A probe on the base: a reading takes a tenth of a second and scatters by 10 mK. [trade]"""

    __slots__ = ("_due_s", "_random", "last_c")

    def __init__(self, random: np.random.Generator) -> None:
        self._random = random
        self._due_s: float | None = None
        self.last_c: float | None = None

    @property
    def next_sample_s(self) -> float | None:
        """When the temperature is sampled; None when nothing is being measured."""
        return self._due_s

    @property
    def done_s(self) -> float | None:
        """When the measurement under way will end; None when there is none."""
        return self._due_s

    def begin(self, time_s: float) -> None:
        """Start a fresh measurement."""
        self._due_s = time_s + 0.1

    def take(self, value: float, /) -> None:
        """Sample the temperature of the base, °C."""
        self._due_s = None
        self.last_c = value + 0.01 * float(self._random.standard_normal())

    def reset(self) -> None:
        """As after power-on."""
        self._due_s = self.last_c = None


class ScpiThermometer(ScpiInstrument):
    """The thermometer's end of one line. It answers degrees Celsius."""

    __slots__ = ("_probe",)

    identity = "EXAMPLE,THERMOMETER,0001,1.0"

    def __init__(self, probe: SimulatedThermometer) -> None:
        self._probe = probe
        super().__init__(probe)

    def _read(self) -> Answer:
        self._probe.begin(self._now_s)
        return self._fetch

    def _fetch(self) -> Answer:
        if self._probe.done_s is not None:
            return self._fetch
        if self._probe.last_c is None:
            raise ScpiError(-230)
        return scientific(self._probe.last_c)


ScpiThermometer.commands = (
    command("READ#[:SCALar][:TEMPerature]?", ScpiThermometer._read),
    command("MEASure#[:SCALar][:TEMPerature]?", ScpiThermometer._read),
    command("FETCh#[:SCALar][:TEMPerature]?", ScpiThermometer._fetch),
)


def extra(
    name: ExtraName,
    description: BenchDescription,
    truth: Truth,
    arriving_w: Callable[[float], float],
    base_k: Callable[[float, float], float],
) -> Extra:
    """The instrument of this name.

    ``arriving_w`` is the laser's power at the entrance hole at a time; ``base_k`` how far a body of
    a lag (s) is from the temperature of alignment then.
    """
    if name == "thermometer":
        probe = SimulatedThermometer(stream(truth.seed, "thermometer"))
        return Extra(
            ScpiThermometer(probe), probe, lambda time_s: ALIGNED_AT_C + base_k(time_s, BASE_LAG_S)
        )
    traits = dataclasses.replace(
        MeterTraits.of(description, truth),
        noise_floor_w=PICK_OFF * description.meter.noise_floor_w,
        noise_range_w=_range_above(PICK_OFF * description.lossless_reading_w),
        dark_w=0.0,
        default_wavelength_m=description.laser.wavelength_m,
    )
    meter = SimulatedMeter(traits, stream(truth.seed, "reference meter"))
    return Extra(ScpiMeter(meter), meter, lambda time_s: PICK_OFF * arriving_w(time_s))


def _range_above(power_w: float) -> float:
    return float(10.0 ** math.ceil(math.log10(power_w)))

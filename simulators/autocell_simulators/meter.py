"""A power meter as a device: light and time in, readings out, no wire.

A reading is the mean of the light over its averaging window, sampled at the start, the middle
and the end (Simpson's weights), so that an axis which moves meanwhile smears it. The detector is a
photodiode, which follows the light at once; given a ``head`` it is a thermal one, which lags.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from autocell.description import BenchDescription
from autocell_simulators.truth import Truth

_WEIGHTS = (1.0 / 6.0, 4.0 / 6.0, 1.0 / 6.0)
_RESPONSIVITY_NM = (400.0, 800.0, 1000.0, 1300.0, 1550.0, 1700.0, 1800.0)
_RESPONSIVITY = (0.05, 0.35, 0.60, 0.85, 1.00, 0.70, 0.15)


@dataclass(frozen=True)
class MeterTraits:
    """What the meter is made of. Noise is that of a reading of ``noise_window_s``.

    [trade] The times and the saturation are common practice, no source. The responsivity of the
    detector is invented.
    """

    true_wavelength_m: float
    relative_noise: float
    noise_floor_w: float
    noise_window_s: float
    noise_range_w: float
    """The range at which the noise floor holds; it scales with the range."""
    dark_w: float
    sample_s: float = 1e-3
    """One average takes this long."""
    averages: int = 50
    """Averages of a reading after power-on or reset."""
    latency_s: float = 0.002
    range_change_s: float = 0.1
    zeroing_s: float = 0.5
    saturation: float = 1.1
    """Light above this part of the range overflows."""
    ranges_w: tuple[float, ...] = tuple(10.0**power for power in range(-8, 1))
    wavelengths_m: tuple[float, float] = (400e-9, 1800e-9)
    default_wavelength_m: float = 1550e-9
    most_averages: int = 10000

    @classmethod
    def of(cls, description: BenchDescription, truth: Truth) -> MeterTraits:
        """The meter of a bench file with its true dark level."""
        meter = description.meter
        return cls(
            true_wavelength_m=description.laser.wavelength_m,
            relative_noise=meter.relative_noise,
            noise_floor_w=meter.noise_floor_w,
            noise_window_s=meter.averaging_s,
            noise_range_w=meter.range_w,
            dark_w=truth.dark_offset_w + truth.room_light_w,
        )


class ThermalHead:
    """A detector that shows the light through a first-order lag: τ dy/dt = u − y."""

    __slots__ = ("_light_w", "_since_s", "_warmth_w", "time_constant_s")

    def __init__(self, time_constant_s: float, light_w: float, time_s: float) -> None:
        self.time_constant_s = time_constant_s
        self._light_w = self._warmth_w = light_w
        self._since_s = time_s

    def soak(self, light_w: float, time_s: float) -> float:
        """What it shows at ``time_s``; the light has changed linearly since it was last asked.

        Exact for such light. Asked again at the same time, it takes a step of the light.
        """
        passed_s, tau_s = time_s - self._since_s, self.time_constant_s
        if passed_s > 0.0:
            lag_w = (light_w - self._light_w) / passed_s * tau_s
            gone = math.exp(-passed_s / tau_s)
            self._warmth_w = light_w - lag_w + (self._warmth_w - self._light_w + lag_w) * gone
            self._since_s = time_s
        self._light_w = light_w
        return self._warmth_w


@dataclass(slots=True)
class MeterTrouble:
    """What may be wrong with a meter; as it is made, nothing is."""

    calibration: float = 1.0
    """Of every reading: a wrong one is a constant ratio."""
    background_w: float = 0.0
    """Light that reaches the detector besides that of the cell, shutter closed or not."""
    ripple_w: float = 0.0
    """Amplitude of the part of it that flickers, as 1 + cos, at ``ripple_hz``."""
    ripple_hz: float = 100.0
    noise: Callable[[], float] = field(default=lambda: 0.0)
    """Extra noise of a reading of ``noise_window_s``, relative."""
    range_gain: dict[float, float] = field(default_factory=dict)
    """Ranges that do not agree with the others."""
    while_changing: Literal["waits", "repeats", "overflows"] = "waits"
    """What the meter answers while a range change has not ended."""
    flat_top: bool = False
    """Saturation shows as the highest value instead of an overflow."""


class SimulatedMeter:
    """One channel. Give it light whenever ``next_sample_s`` has come.

    ``on_reading`` is told of every reading as it begins, with the time when it will end.
    """

    __slots__ = (
        "_dead_value_w",
        "_purpose",
        "_random",
        "_ready_from_s",
        "_samples",
        "_schedule_s",
        "auto_range",
        "averages",
        "head",
        "last_w",
        "on_reading",
        "range_change_s",
        "range_w",
        "readings",
        "saturation",
        "traits",
        "trouble",
        "wavelength_m",
        "zero_w",
    )

    def __init__(self, traits: MeterTraits, random: np.random.Generator) -> None:
        self.traits = traits
        self.trouble = MeterTrouble()
        self.head: ThermalHead | None = None
        self.range_change_s = traits.range_change_s
        self.saturation = traits.saturation
        self.on_reading: Callable[[float, float], None] = _nobody
        self._random = random
        self.readings = 0
        self.last_w: float | None = None
        """Last reading, infinite when saturated; None while there is none."""
        self._ready_from_s = -math.inf
        self._schedule_s: list[float] = []
        self._samples: list[float] = []
        self._purpose: Literal["reading", "zero"] = "reading"
        self._dead_value_w: float | None = None
        self.reset()

    def reset(self) -> None:
        """Settings as after power-on; a reading under way is given up."""
        self.abort()
        self.last_w = None
        self.wavelength_m = self.traits.default_wavelength_m
        self.range_w = self.traits.ranges_w[-1]
        self.auto_range = True
        self.averages = self.traits.averages
        self.zero_w = 0.0

    @property
    def next_sample_s(self) -> float | None:
        """When light is sampled next; None when nothing is being measured."""
        return self._schedule_s[0] if self._schedule_s else None

    @property
    def done_s(self) -> float | None:
        """When the measurement under way will end, as far as is known; None when there is none."""
        return self._schedule_s[-1] if self._schedule_s else None

    @property
    def zeroing(self) -> bool:
        """Whether what is being measured is the dark level for the zero."""
        return bool(self._schedule_s) and self._purpose == "zero"

    def set_range(self, range_w: float, time_s: float) -> None:
        """Choose the smallest range that holds ``range_w``; the detector is dead meanwhile.

        Raises:
            ValueError: no range is that large, or it is not positive.
        """
        fitting = [known for known in self.traits.ranges_w if known >= range_w * (1.0 - 1e-9)]
        if not fitting or not range_w > 0.0:
            raise ValueError(f"no range holds {range_w} W")
        self.auto_range = False
        self._change_range(fitting[0], time_s)

    def begin(self, time_s: float, purpose: Literal["reading", "zero"] = "reading") -> None:
        """Start a fresh measurement; one under way is given up."""
        self._purpose = purpose
        start_s, self._dead_value_w = time_s + self.traits.latency_s, None
        if start_s < self._ready_from_s:
            match self.trouble.while_changing:
                case "waits":
                    start_s = self._ready_from_s
                case "repeats":
                    self._dead_value_w = self.last_w
                case "overflows":
                    self._dead_value_w = math.inf
        self._schedule(start_s)
        if purpose == "reading":
            self.on_reading(start_s, self._schedule_s[-1])

    def abort(self) -> None:
        """Give up what is being measured."""
        self._schedule_s = []
        self._samples = []

    def take(self, light_w: float) -> None:
        """Sample ``light_w``, the optical power at the time ``next_sample_s``."""
        now_s = self._schedule_s.pop(0)
        if self.head is not None:
            light_w = self.head.soak(light_w, now_s)
        trouble = self.trouble
        light_w *= trouble.calibration
        shown_w = light_w * self._wavelength_ratio() + self.traits.dark_w + trouble.background_w
        if self.auto_range and not self._samples and self._follow_with_range(shown_w, now_s):
            return
        self._samples.append(shown_w)
        if not self._schedule_s:
            self._finish(now_s)

    def _window_s(self) -> float:
        if self._purpose == "zero":
            return self.traits.zeroing_s
        return self.averages * self.traits.sample_s

    def _schedule(self, start_s: float) -> None:
        window_s = self._window_s()
        self._samples = []
        self._schedule_s = [start_s, start_s + 0.5 * window_s, start_s + window_s]

    def _finish(self, now_s: float) -> None:
        power_w = self._measured(now_s)
        if self._purpose == "zero":
            self.zero_w = power_w if math.isfinite(power_w) else self.zero_w
            return
        self.readings += 1
        if self._dead_value_w is None:
            self.last_w = power_w - self.zero_w
        else:
            self.last_w = self._dead_value_w

    def _measured(self, now_s: float) -> float:
        traits, trouble = self.traits, self.trouble
        most_w = self.saturation * self.range_w
        if max(self._samples) > most_w:
            return most_w if trouble.flat_top else math.inf
        mean_w = math.fsum(
            weight * sample for weight, sample in zip(_WEIGHTS, self._samples, strict=True)
        )
        floor_w = traits.noise_floor_w * self.range_w / traits.noise_range_w
        window_s = self._window_s()
        shorter = math.sqrt(traits.noise_window_s / window_s)
        relative = math.hypot(traits.relative_noise, trouble.noise())
        noise_w = shorter * math.hypot(relative * mean_w, floor_w)
        power_w = mean_w + noise_w * float(self._random.standard_normal())
        if trouble.ripple_w:
            power_w += trouble.ripple_w * _mean_of_cosine(trouble.ripple_hz, now_s, window_s)
        return power_w * trouble.range_gain.get(self.range_w, 1.0)

    def _follow_with_range(self, shown_w: float, now_s: float) -> bool:
        """Change range if another suits this light; whether the reading has to begin again."""
        fitting = [known for known in self.traits.ranges_w if known >= shown_w]
        suited = fitting[0] if fitting else self.traits.ranges_w[-1]
        if suited == self.range_w:
            return False
        self._change_range(suited, now_s)
        self._schedule(self._ready_from_s)
        return True

    def _change_range(self, range_w: float, time_s: float) -> None:
        if range_w != self.range_w:
            self.range_w = range_w
            self._ready_from_s = time_s + self.range_change_s

    def _wavelength_ratio(self) -> float:
        """By how much the reading is off because another wavelength is set than the light has."""
        true, assumed = np.interp(
            [self.traits.true_wavelength_m * 1e9, self.wavelength_m * 1e9],
            _RESPONSIVITY_NM,
            _RESPONSIVITY,
        )
        return float(true / assumed)


def _mean_of_cosine(frequency_hz: float, end_s: float, window_s: float) -> float:
    """Mean of 1 + cos(2πft) over the window that ends at ``end_s``."""
    turn = 2.0 * math.pi * frequency_hz
    return 1.0 + (math.sin(turn * end_s) - math.sin(turn * (end_s - window_s))) / (turn * window_s)


def _nobody(_start_s: float, _end_s: float) -> None:
    """Nobody wants to know of readings."""

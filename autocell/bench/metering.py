"""From single answers of a power meter to a power with its uncertainty."""

from __future__ import annotations

import contextlib
import math
import statistics
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from autocell.bench.freshness import Freshness
from autocell.bench.protocols import (
    Clock,
    HasLargerRange,
    KeepsRange,
    PowerMeter,
    RawReading,
    Shutter,
    ZeroesItself,
)
from autocell.bench.samples import (
    BAD_IN_A_ROW,
    OUTLIER_SHARE,
    RETRY_S,
    fall_time,
    mean_and_scatter,
    near,
)
from autocell.description import MeterDescription
from autocell.errors import DeviceError, ReadingError

SETTLE_S = 0.1
"""How long the bench rests after a move or a shutter before a sample counts."""

_FOLLOWED = 7.0
"""Time constants after which a detector that lags shows the light to a thousandth of its change."""

_FEWEST_SAMPLES = 3
_DARK_SAMPLES = 12


@dataclass(frozen=True)
class Power:
    """A mean of samples with its standard uncertainty, W; ``rejected`` samples were left out."""

    power_w: float
    uncertainty_w: float
    samples: int
    rejected: int = 0

    @property
    def agreed(self) -> bool:
        """Whether few enough were left out to be outliers."""
        return self.rejected <= OUTLIER_SHARE * (self.samples + self.rejected)

    @property
    def contradiction(self) -> str:
        """How many disagree, in words."""
        return f"{self.rejected} of {self.samples + self.rejected} samples disagree with the rest"


class _FlatTopError(ReadingError):
    """A meter shows the same ``power_w`` again and again, and has never shown more."""

    def __init__(self, name: str, power_w: float, range_w: float) -> None:
        self.power_w = power_w
        self.what = (
            f"{name} shows {power_w * 1e3:.6g} mW again and again, to the last digit, and has not "
            f"shown more: it is at its top, though its range is {range_w * 1e3:g} mW, or on hold, "
            f"or its averaging takes longer than {name}.averaging_ms"
        )
        super().__init__(
            f"{self.what}. Raise {name}.range_mw in the bench file, or put an attenuator before "
            "the meter"
        )


class Metering:
    """Reads one meter. ``check`` is called before each sample; it raises when no reading may be
    taken. ``tell`` is told, in words, what was thrown away and why."""

    def __init__(
        self,
        description: MeterDescription,
        meter: PowerMeter,
        shutter: Shutter | None,
        clock: Clock,
        check: Callable[[], None],
        tell: Callable[[str], None],
    ) -> None:
        self._description = description
        self._meter = meter
        self._shutter = shutter
        self._clock = clock
        self._check = check
        self._tell = tell
        self._freshness = Freshness(description)
        self.thrown_away = 0
        """Samples that had to be taken again."""
        self.findings: list[str] = []
        """What the bench file should say otherwise, in words."""
        self._averaged: list[tuple[float, float]] = []
        self.dark: Power | None = None
        self._is_zeroed = False
        self._has_read = False
        self._flat_top_w: float | None = None
        self.settle_s = max(SETTLE_S, _FOLLOWED * description.time_constant_s)
        """How long to rest after a change of the light: longer for a detector that lags, such as a
        thermal head, once the bench file or the shutter has told by how much."""

    def measure_dark(self) -> Power:
        """Close the shutter, read, open it again; the level is kept for later readings.

        Where the bench file wants the meter zeroed, that is done the first time, in this dark.
        Without a shutter the level is taken as zero, give or take the noise floor. After a stop
        the shutter stays closed. Raises ReadingError or DeviceError.
        """
        if self._shutter is None:
            self.dark = Power(0.0, self._description.noise_floor_w, 0)
            self._tell("no shutter: the dark level is taken as zero within the noise floor")
            if not self._description.time_constant_s:
                self._tell(
                    "no shutter: a detector that lags behind the light, as a thermal head does, "
                    "would not be noticed; if it does, say so by "
                    f"{self._meter.name}.time_constant_ms"
                )
            return self.dark
        self._check()
        self._check_range()
        self._shutter.close()
        try:
            dark = self._zeroed(self._dark_level())
        except Exception:
            with contextlib.suppress(DeviceError):
                self._shutter.open()
            raise
        self._shutter.open()
        self._rest()
        self.dark = dark
        return dark

    def _dark_level(self) -> Power:
        try:
            dark = self._dark_average()
        except ReadingError:
            if not self._has_lagged():
                raise
        else:
            if not self._has_lagged():
                return dark
        return self._dark_average()

    def _zeroed(self, dark: Power) -> Power:
        """Have the meter take its zero, and see what it shows of the dark then. Raises ReadingError
        where light falls on it, and where it shows no less than before."""
        largest_w, name = self._description.largest_zero_w, self._meter.name
        if largest_w is None or self._is_zeroed or not isinstance(self._meter, ZeroesItself):
            return dark
        if abs(dark.power_w) > largest_w:
            raise ReadingError(
                f"{name} shows {dark.power_w * 1e6:.3g} µW with the shutter closed, more than "
                f"zeroing.largest_uw ({largest_w * 1e6:g}); it was not zeroed: does the shutter "
                "close, and is the room dark?"
            )
        zero_w = self._meter.zero()
        left = self._dark_average()
        within_w = 3.0 * math.hypot(left.uncertainty_w, self._description.noise_floor_w)
        if abs(left.power_w) > within_w:
            raise ReadingError(
                f"{name} was zeroed, and shows {left.power_w * 1e6:.3g} µW in the dark all the "
                f"same, {dark.power_w * 1e6:.3g} µW before; does {name}.zeroing.set zero it?"
            )
        self._is_zeroed = True
        self._tell(
            f"{name} was zeroed in the dark: its zero is {zero_w * 1e6:.3g} µW, and the dark level "
            f"{left.power_w * 1e6:.3g} µW, before {dark.power_w * 1e6:.3g} µW"
        )
        return left

    def _check_range(self) -> None:
        if isinstance(self._meter, KeepsRange) and (found := self._meter.check_range()):
            self._tell(found)

    def _dark_average(self) -> Power:
        self._rest()
        return self._average(0.0, _DARK_SAMPLES, _DARK_SAMPLES, dark_w=0.0)

    def _has_lagged(self) -> bool:
        """Whether the light that the shutter cut off was still falling; then more time is given
        from now on."""
        bench = self._description
        lag_s = fall_time(self._averaged, bench.relative_noise, bench.noise_floor_w)
        if lag_s is None:
            return False
        self.settle_s = max(self.settle_s, _FOLLOWED * lag_s)
        self._tell(
            f"the detector follows the light with a time constant of {lag_s:.2g} s; from now on "
            f"{self.settle_s:.2g} s are waited after each change of it"
        )
        return True

    def _rest(self) -> None:
        self._clock.sleep(self.settle_s + self._meter.reading_time_s)

    def read(self, relative_uncertainty: float, max_samples: int) -> Power:
        """Power above the dark level, averaged until its standard uncertainty is at most
        ``relative_uncertainty`` of it (or half the noise floor, if that is more), or until
        ``max_samples``.

        The uncertainty is the larger of what the samples show and what the bench file expects
        of the meter, with that of the dark level. Raises ReadingError when the meter saturates,
        repeats itself, answers no numbers, or contradicts itself; DeviceError when it fails.
        """
        while True:
            try:
                power = self._above_dark(relative_uncertainty, max_samples)
            except _FlatTopError as top:
                self._go_above(top)
            else:
                self._has_read = True
                return power

    def _above_dark(self, relative_uncertainty: float, max_samples: int) -> Power:
        dark = self.dark or self.measure_dark()
        fewest = min(_FEWEST_SAMPLES, max_samples)
        raw = self._average(relative_uncertainty, fewest, max_samples, dark_w=dark.power_w)
        uncertainty_w = math.hypot(raw.uncertainty_w, dark.uncertainty_w)
        return Power(raw.power_w - dark.power_w, uncertainty_w, raw.samples, raw.rejected)

    def _go_above(self, top: _FlatTopError) -> None:
        """Have the meter take its next larger range, and its dark level be measured there.

        Raises what is given where it has none, shows the same there, or has been read in this
        range already: two ranges seldom agree.
        """
        if self._has_read or top.power_w == self._flat_top_w:
            raise top
        if not isinstance(self._meter, HasLargerRange):
            raise top
        range_w, before_w = self._meter.take_larger_range(), self._description.range_w
        if range_w is None:
            raise top
        self._flat_top_w = top.power_w
        self._description = replace(
            self._description,
            range_w=range_w,
            noise_floor_w=self._description.noise_floor_w * range_w / before_w,
        )
        self._freshness = Freshness(self._description)
        name, dark = self._meter.name, self.measure_dark()
        self.findings.append(
            f"{top.what}. Its next larger range, {range_w * 1e3:g} mW, is used in this run, where "
            f"the dark level is {dark.power_w * 1e6:.4g} µW; if that suits the light better, write "
            f"{name}.range_mw: {range_w * 1e3:g}"
        )
        self._tell(self.findings[-1])

    def _average(self, relative: float, fewest: int, most: int, *, dark_w: float) -> Power:
        """Raises ReadingError: samples that contradict each other, and again when read once more.
        The light may have changed once, in the middle of them."""
        power = self._average_once(relative, fewest, most, dark_w)
        if not power.agreed:
            self._tell(f"{power.contradiction}: reading once more")
            power = self._average_once(relative, fewest, most, dark_w)
        if not power.agreed:
            raise ReadingError(
                f"{power.contradiction}; is the light flickering, or the meter changing its range?"
            )
        if power.rejected:
            total = power.samples + power.rejected
            self._tell(f"{power.rejected} of {total} samples were outliers and left out")
        return power

    def _average_once(self, relative: float, fewest: int, most: int, dark_w: float) -> Power:
        floor_w = self._description.noise_floor_w
        samples: list[float] = []
        self._averaged = []
        self._freshness.begin_average()
        while True:
            samples.append(self._fresh_sample())
            self._averaged.append((self._clock.now(), samples[-1]))
            if len(samples) < fewest:
                continue
            power = self._mean(samples, dark_w)
            wanted_w = max(relative * abs(power.power_w - dark_w), floor_w / 2.0)
            if (power.agreed and power.uncertainty_w <= wanted_w) or len(samples) >= most:
                return power

    def _mean(self, samples: Sequence[float], dark_w: float) -> Power:
        """Mean without outliers."""
        middle_w = statistics.median(samples)
        expected_w = math.hypot(
            self._description.relative_noise * (middle_w - dark_w),
            self._description.noise_floor_w,
        )
        kept = near(samples, middle_w, expected_w)
        mean_w, scatter_w = mean_and_scatter(kept)
        uncertainty_w = max(scatter_w, expected_w) / math.sqrt(len(kept))
        return Power(mean_w, uncertainty_w, len(kept), len(samples) - len(kept))

    def _fresh_sample(self) -> float:
        """One sample that may be used. Raises ReadingError after too many that may not."""
        bad: list[str] = []
        while len(bad) < BAD_IN_A_ROW:
            self._check()
            raw = self._meter.read()
            if raw.overrange or raw.power_w > self._description.range_w:
                if "overrange" not in bad:
                    self._check_range()  # somebody may have turned it down
                bad.append("overrange")
            elif not math.isfinite(raw.power_w):
                bad.append("not a number")
            elif not self._freshness.is_fresh(raw.power_w, raw.sequence):
                bad.append("stale")
            else:
                self._remember(raw)
                if bad:
                    self._tell(f"samples thrown away: {', '.join(bad)}")
                return raw.power_w
            self._remember(raw)
            self.thrown_away += 1
            self._clock.sleep(max(self._meter.reading_time_s, RETRY_S))
        raise ReadingError(self._cure(bad))

    def _remember(self, raw: RawReading) -> None:
        """Raises _FlatTopError when this shows that light was cut off."""
        self._freshness.remember(raw.power_w, raw.sequence)
        if (cut_off_w := self._freshness.cut_off_w) is not None:
            raise _FlatTopError(self._meter.name, cut_off_w, self._description.range_w)

    def _cure(self, bad: list[str]) -> str:
        worst, times = max(set(bad), key=bad.count), len(bad)
        name, range_w = self._meter.name, self._description.range_w
        match worst:
            case "overrange":
                return (
                    f"{name} is saturated: beyond its range of {range_w * 1e3:g} mW, {times} "
                    f"times in a row. Raise {name}.range_mw in the bench file, or put an "
                    "attenuator before the meter"
                )
            case "stale":
                return (
                    f"{name} answered the same measurement {times} times; is it on hold, or "
                    f"its averaging longer than {name}.averaging_ms?"
                )
            case _:
                return f"{name} answered no number {times} times in a row; is its sensor connected?"

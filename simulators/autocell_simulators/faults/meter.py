"""Faults of the power meter, and light that reaches it from elsewhere (rows 22 to 26)."""

from __future__ import annotations

from collections.abc import Iterator
from typing import ClassVar, Literal

from pydantic import Field

from autocell_simulators.faults.fault import (
    MS,
    NM,
    NW,
    PERCENT,
    Cue,
    Effect,
    Fault,
    NotNegative,
    Number,
    Percent,
    Positive,
    Rig,
)
from autocell_simulators.meter import ThermalHead


class DarkOffset(Fault):
    """The meter shows something without any light."""

    name: ClassVar = "dark-offset"
    rows: ClassVar = (22,)
    piles_up: ClassVar = True
    nw: Number = 1.0

    def begin(self, rig: Rig, cue: Cue) -> Effect:
        """On top of what it showed before."""
        trouble, more_w = rig.whole.meter.trouble, self.nw * NW
        trouble.background_w += more_w

        def undo() -> None:
            trouble.background_w -= more_w

        return Effect(undo=undo)


class RoomLight(Fault):
    """Light of the room on the detector, shutter closed or not; part of it flickers."""

    name: ClassVar = "room-light"
    rows: ClassVar = (22,)
    nw: NotNegative = 200.0
    """On the mean."""
    flicker_percent: Percent = 30.0
    """Amplitude of the flicker."""
    mains_hz: Positive = 50.0
    """It flickers twice as fast. A reading over whole periods does not see it."""

    def begin(self, rig: Rig, cue: Cue) -> Effect:
        """The lamps go on."""
        trouble = rig.whole.meter.trouble
        before = (trouble.background_w, trouble.ripple_w, trouble.ripple_hz)
        light_w = self.nw * NW
        trouble.ripple_w = light_w * self.flicker_percent * PERCENT
        trouble.ripple_hz = 2.0 * self.mains_hz
        trouble.background_w += light_w

        def undo() -> None:
            trouble.background_w, trouble.ripple_w, trouble.ripple_hz = before

        return Effect(undo=undo)


class RangeChange(Fault):
    """A change of range takes long, ranges disagree, and readings meanwhile are worth nothing."""

    name: ClassVar = "range-change"
    rows: ClassVar = (23,)
    dead_ms: NotNegative = 300.0
    mismatch_percent: Percent = 0.5
    """Each range is off by up to so much, drawn."""
    meanwhile: Literal["waits", "repeats", "overflows"] = "overflows"
    """It answers when the change is over, with its last reading, or with 9.9E37."""

    def begin(self, rig: Rig, cue: Cue) -> Effect:
        """From the next change on."""
        meter = rig.whole.meter
        trouble = meter.trouble
        before = (meter.range_change_s, trouble.range_gain, trouble.while_changing)
        meter.range_change_s = self.dead_ms * MS
        trouble.while_changing = self.meanwhile
        trouble.range_gain = {
            range_w: 1.0 + self.mismatch_percent * PERCENT * float(cue.random.uniform(-1.0, 1.0))
            for range_w in meter.traits.ranges_w
        }

        def undo() -> None:
            meter.range_change_s, trouble.range_gain, trouble.while_changing = before

        return Effect(undo=undo)


class Saturation(Fault):
    """Above its range the meter shows a flat top instead of an overflow: a false plateau."""

    name: ClassVar = "saturation"
    rows: ClassVar = (24,)
    at_percent: Positive = 60.0
    """Of the range: more light than that shows as that."""

    def begin(self, rig: Rig, cue: Cue) -> Effect:
        """From now on."""
        meter = rig.whole.meter
        before = (meter.saturation, meter.trouble.flat_top)
        meter.saturation, meter.trouble.flat_top = self.at_percent * PERCENT, True

        def undo() -> None:
            meter.saturation, meter.trouble.flat_top = before

        return Effect(undo=undo)


class WrongWavelength(Fault):
    """The meter corrects for another wavelength than the light has: a constant ratio.

    ``factor`` is that of a head whose calibration is wrong: no setting shows it. With
    ``wavelength_nm`` somebody has turned the setting, which can be read back and set right.
    """

    name: ClassVar = "wrong-wavelength"
    rows: ClassVar = (25,)
    factor: float = Field(1.5, gt=0.0, allow_inf_nan=False)
    wavelength_nm: Positive | None = None

    def begin(self, rig: Rig, cue: Cue) -> Effect:
        """Turn it."""
        meter = rig.whole.meter
        if self.wavelength_nm is not None:
            before_m, meter.wavelength_m = meter.wavelength_m, self.wavelength_nm * NM

            def turn_back() -> None:
                meter.wavelength_m = before_m

            return Effect(undo=turn_back)
        meter.trouble.calibration *= self.factor

        def undo() -> None:
            meter.trouble.calibration /= self.factor

        return Effect(undo=undo)

    def objections(self, rig: Rig) -> Iterator[tuple[str, str]]:
        """A wavelength that the meter does not have."""
        low_m, high_m = rig.whole.meter.traits.wavelengths_m
        if self.wavelength_nm is not None and not low_m <= self.wavelength_nm * NM <= high_m:
            yield "wavelength_nm", f"the meter knows {low_m / NM:.0f} to {high_m / NM:.0f} nm"


class ThermalHeadLag(Fault):
    """The detector is a thermal head: it shows the light of a moment ago."""

    name: ClassVar = "thermal-head"
    rows: ClassVar = (26,)
    time_constant_s: Positive = 1.0

    def begin(self, rig: Rig, cue: Cue) -> Effect:
        """Put it in place of the photodiode, warm already."""
        bench = rig.whole
        before = bench.meter.head
        bench.meter.head = ThermalHead(self.time_constant_s, bench.light_w(), cue.time_s)

        def undo() -> None:
            bench.meter.head = before

        return Effect(undo=undo)

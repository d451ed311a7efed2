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
    all_of,
    meanwhile,
    replaced,
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
        trouble, light_w = rig.whole.meter.trouble, self.nw * NW
        return meanwhile(
            [trouble],
            background_w=trouble.background_w + light_w,
            ripple_w=light_w * self.flicker_percent * PERCENT,
            ripple_hz=2.0 * self.mains_hz,
        )


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
        gain = {
            range_w: 1.0 + self.mismatch_percent * PERCENT * float(cue.random.uniform(-1.0, 1.0))
            for range_w in meter.traits.ranges_w
        }
        undo = [
            replaced(meter, range_change_s=self.dead_ms * MS),
            replaced(meter.trouble, range_gain=gain, while_changing=self.meanwhile),
        ]
        return Effect(undo=all_of(undo))


class Saturation(Fault):
    """Above its range the meter shows a flat top instead of an overflow: a false plateau."""

    name: ClassVar = "saturation"
    rows: ClassVar = (24,)
    at_percent: Positive = 60.0
    """Of the range: more light than that shows as that."""

    def begin(self, rig: Rig, cue: Cue) -> Effect:
        """From now on."""
        meter = rig.whole.meter
        undo = [
            replaced(meter, saturation=self.at_percent * PERCENT),
            replaced(meter.trouble, flat_top=True),
        ]
        return Effect(undo=all_of(undo))


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
            return meanwhile([meter], wavelength_m=self.wavelength_nm * NM)
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
        head = ThermalHead(self.time_constant_s, bench.light_w(), cue.time_s)
        return meanwhile([bench.meter], head=head)

"""What the meters show now, against what they showed at the reference setting."""

from __future__ import annotations

import math
from dataclasses import dataclass

from autocell.bench.bench import Bench
from autocell.description import BenchDescription
from autocell.procedures.arrival import Arrival
from autocell.procedures.condition import condition_now, laser_ratio, power_ratio
from autocell.procedures.recovery.reference import ReferenceSetting
from autocell.procedures.tuning import READING_NOISE
from autocell.recovery import Condition, Ratio

_DARK = 0.01
"""Of the laser's power: with less no step finds anything, but a search for the beam."""

_SIGMAS, _BRIGHTER = 3.0, 3.5
"""Standard uncertainties beyond which two looks saw different light, and beyond which there is more
light than there was: none of 895 rehearsed nights of drift showed 2.5 more."""


def same_light(one: Ratio, other: Ratio) -> bool:
    """Whether two looks may have seen the same light."""
    return abs(other.value - one.value) <= _SIGMAS * math.hypot(one.u, other.u)


def mean_of(one: Ratio, other: Ratio) -> Ratio:
    """Of two looks at the same light. No surer than the surer of them: they share a reference."""
    return Ratio(0.5 * (one.value + other.value), min(one.u, other.u))


def power_bounds(bench: BenchDescription) -> tuple[float, float]:
    """Between which a power ratio less one counts as nothing.

    More power means fewer passes, so that upwards it may differ by no more than half of what two
    passes fewer would bring.
    """
    limit = bench.recovery.power_within
    fewer = 0.5 * (bench.mean_reflectivity**-2 - 1.0)
    return -limit, min(limit, fewer)


@dataclass(frozen=True)
class Comparison:
    """A bench against its reference setting. What reads or asks for positions raises what that
    raises."""

    bench: Bench
    reference: ReferenceSetting

    def look(self, purpose: str) -> Condition:
        """What the meters show where the bench stands."""
        return condition_now(self.bench, self.bench.read_power(purpose, READING_NOISE))

    def ratios(self, condition: Condition) -> tuple[Ratio, Ratio | None]:
        """Power over that of the reference, with the laser taken out, and the laser's own."""
        then = self.reference.condition
        return power_ratio(condition, then), laser_ratio(condition, then)

    def ratio_at(self, arrival: Arrival) -> Ratio:
        """That of the power where a step has arrived."""
        return self.ratios(condition_now(self.bench, arrival.height.reading))[0]

    def within(self, power: Ratio) -> bool:
        """Whether a power ratio is within the limits of the bench file."""
        low, high = power_bounds(self.bench.description)
        return low <= power.value - 1.0 <= high

    def is_as_it_was(self, power: Ratio, laser: Ratio | None) -> bool:
        """Whether a power ratio lets it be believed that nothing has happened.

        Where a reference meter has taken the ``laser`` out of it, nothing but fewer passes brings
        more light: then more than its uncertainty explains is too much.
        """
        brighter = laser is not None and power.value - 1.0 > _BRIGHTER * power.u
        return self.within(power) and not brighter

    def away(self) -> bool:
        """Whether an axis stands elsewhere than at the reference setting."""
        bench = self.bench
        wanted = bench.description.positions(self.reference.setting)
        stands = bench.positions()
        return any(
            abs(stands[name] - wanted[name]) > axis.play
            for name, axis in bench.description.axes.items()
        )

    def is_dark(self, condition: Condition) -> bool:
        """Whether there is no light worth the name."""
        return condition.power_w < _DARK * self.bench.description.laser.power_w

    def in_words(self, power: Ratio) -> str:
        """That the power is, in words."""
        reference, limit = self.reference, self.bench.description.recovery.power_within
        return (
            f"{power.value:.3f} ± {power.u:.3f} of the power where run {reference.run} proved "
            f"{reference.passes} passes, within {100 * limit:g} %"
        )

    @property
    def margin_nights_left(self) -> float | None:
        """The margin of the reference setting, less the nights since."""
        margin = self.reference.margin_nights
        return None if margin is None else margin - self.reference.nights

    @property
    def is_margin_gone(self) -> bool:
        """Whether the nights have left less of it than the bench file wants."""
        left = self.margin_nights_left
        return left is not None and left < self.bench.description.recovery.least_margin_nights

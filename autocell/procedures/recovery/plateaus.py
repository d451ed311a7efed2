"""What another pass count tells: a loss at the mirrors grows with the passes, one outside does not.

With g the light lost outside the mirrors and m at each of them, both as logarithms, the power of N
passes has changed by g + (N − 1) m since the reference run (F16): two pass counts tell both.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from autocell.belief.model import BenchModel
from autocell.belief.unknowns import FloatArray
from autocell.description import BenchDescription
from autocell.errors import ReadingError
from autocell.outcome import Learned
from autocell.procedures.recovery.search import is_light
from autocell.procedures.tuning import READING_NOISE, Tuning
from autocell.recovery import Ratio
from autocell.setting import Setting

_AGREED = 0.97
"""Share of the model benches that must have the same pass count on a plateau, and so pure."""

_PLACES, _AROUND = 401, 3
"""Spacings looked at, and how many of them to each side must be of the same plateau."""

_FURTHEST_M = 0.03
_MODEL = 0.008
"""Relative: what the model may be wrong by from one plateau to another."""

_OF_RANGE = 0.9
"""Share of the meter's range that another plateau may use."""

_BENCHES = 100
_KNOWN = 0.03
"""Relative spread of the remembered benches beyond which a place tells nothing."""


@dataclass(frozen=True)
class TwoPlateaus:
    """Power now over power at the reference run, at two pass counts.

    That of the pattern was read both times; that of the other is over what the reference run's
    benches would show there.
    """

    passes: int
    ratio: Ratio
    other_passes: int
    other: Ratio

    @property
    def loss_per_reflection(self) -> Ratio:
        """Minus the logarithm m of one reflection, with its standard uncertainty."""
        apart = self.passes - self.other_passes
        logs = math.log(self.other.value) - math.log(self.ratio.value)
        u = math.hypot(self.other.u / self.other.value, self.ratio.u / self.ratio.value)
        return Ratio(logs / apart, u / abs(apart))

    def surprise(self, *, at_mirrors: bool) -> float:
        """Standard uncertainties by which the other plateau is off what a loss at the mirrors
        alone, or outside them alone, would make of it."""
        here = math.log(self.ratio.value)
        share = (self.other_passes - 1) / (self.passes - 1) if at_mirrors else 1.0
        u = math.hypot(self.other.u / self.other.value, share * self.ratio.u / self.ratio.value)
        return abs(math.log(self.other.value) - share * here) / u


@dataclass(frozen=True)
class RememberedBenches:
    """Benches as the reference run knew them, not widened: what they show is what was to be seen
    then. ``z`` is (M, D)."""

    model: BenchModel
    z: FloatArray

    @classmethod
    def of(cls, bench: BenchDescription, learned: Learned) -> RememberedBenches:
        """Drawn from mean and covariance of what was learned."""
        model = BenchModel(bench)
        prior = model.prior
        place = {name: k for k, name in enumerate(learned.names)}
        kept = [k for k, name in enumerate(prior.names) if name in place]
        there = [place[prior.names[k]] for k in kept]
        scale = prior.tolerance[kept]
        mean = (np.array(learned.mean)[there] - prior.centre[kept]) / scale
        covariance = np.array(learned.covariance)[np.ix_(there, there)] / np.outer(scale, scale)
        z = np.zeros((_BENCHES, len(prior.names)))
        z[:, kept] = np.random.default_rng(0).multivariate_normal(mean, covariance, _BENCHES)
        return cls(model, z)

    def shows(self, settings: Sequence[Setting]) -> tuple[FloatArray, FloatArray]:
        """Power (W) at each setting, (S,), and its relative spread, infinite in the dark."""
        power_w = self.model.predict(self.z, settings).power_w
        middle_w = np.median(power_w, axis=0)
        spread = np.full_like(middle_w, np.inf)
        np.divide(np.std(power_w, axis=0), middle_w, out=spread, where=middle_w > 0.0)
        return middle_w, spread


def other_plateau(
    tuning: Tuning, remembered: RememberedBenches, here: Setting, ratio: Ratio
) -> tuple[Setting, int] | None:
    """Where the power of the fewest passes that the spacing alone reaches is known best, and how
    many they are; None when the belief is not sure of any. ``ratio`` is that of the pattern: what
    the meter would show of other passes with as much more light must be within its range."""
    scan = tuning.scan("spacing", here)
    settings = scan.between(here.spacing_m - _FURTHEST_M, here.spacing_m + _FURTHEST_M, _PLACES)
    seen = tuning.belief.predict(settings, most=_BENCHES)
    middle = np.median(seen.passes, axis=0).astype(int)
    agreed = np.mean((seen.passes == middle) & (seen.purity > _AGREED), axis=0) >= _AGREED
    then_w, spread = remembered.shows(settings)
    most_w = _OF_RANGE * tuning.bench.description.meter.range_w / max(1.0, ratio.value)
    found: list[tuple[int, float, int]] = []
    for place in range(_AROUND, len(settings) - _AROUND):
        near = slice(place - _AROUND, place + _AROUND + 1)
        same = bool(np.all(middle[near] == middle[place]) and np.all(agreed[near]))
        passes = int(middle[place])
        shown = spread[near].max() < _KNOWN and then_w[near].max() < most_w
        if same and 0 < passes < tuning.passes and shown:
            found.append((passes, float(spread[near].max()), place))
    if not found:
        return None
    passes, _, place = min(found)
    return settings[place], passes


def read_other_plateau(
    tuning: Tuning,
    remembered: RememberedBenches,
    at: Setting,
    passes: int,
    ratio: Ratio,
    laser: Ratio | None,
) -> TwoPlateaus:
    """Go to another plateau, read, and compare with what was to be seen there at the reference run.

    ``ratio`` is that of the pattern, with the laser taken out where ``laser`` tells it. Raises
    what moving and reading raise, and ReadingError where there is no light.
    """
    bench = tuning.bench
    tuning.tell("second plateau", f"comparing with {passes} passes")
    bench.move_to(at, f"to a plateau of {passes} passes")
    reading = bench.read_power(f"the height of {passes} passes", READING_NOISE)
    if not is_light(bench, reading):
        raise ReadingError(f"no light where {passes} passes are expected")
    expected_w, spread = remembered.shows((at,))
    found = reading.power_w / float(expected_w[0])
    u = found * math.hypot(reading.uncertainty_w / reading.power_w, float(spread[0]), _MODEL)
    if laser is not None:
        found, u = found / laser.value, math.hypot(u, found * laser.u) / laser.value
    return TwoPlateaus(tuning.passes, ratio, passes, Ratio(found, u))

"""Whether what a meter answers is a measurement of its own: no earlier one, and no flat top."""

from __future__ import annotations

import math

from autocell.bench.samples import BAD_IN_A_ROW, is_fine, repeats
from autocell.description import MeterDescription

_SIGMAS_OVER = 10.0
_CONSTANT = 3


class Freshness:
    """What one meter has shown. Fresh measurements differ by their noise, as far as the meter
    shows it; the top of what it can show is the same whatever the light."""

    def __init__(self, description: MeterDescription) -> None:
        self._description = description
        self._last_w: float | None = None
        self._last_sequence: int | None = None
        self._fine_from_w = math.inf
        self._least_w, self._most_w = math.inf, -math.inf
        self._at_the_top = 0
        self._alike = 1
        self._constant_w: float | None = None

    def begin_average(self) -> None:
        """What is judged from now on is averaged together."""
        self._at_the_top, self._alike = 0, 1

    @property
    def cut_off_w(self) -> float | None:
        """Where the meter seems to cut the light off, W, None where it does not: the most that it
        has ever shown came again and again in this average, or all of one was the same before the
        meter showed how many digits it has."""
        if self._at_the_top >= BAD_IN_A_ROW:
            return self._most_w
        constant_w = self._constant_w
        if constant_w is not None and self._repeats(constant_w, constant_w):
            return constant_w
        return None

    def is_fresh(self, power_w: float, sequence: int | None) -> bool:
        """Whether a number that the meter answers, and that is not remembered yet, is no earlier
        measurement again: by the meter's own count, and because no fresh one repeats itself to the
        last digit."""
        before = self._last_sequence
        if sequence is not None and before is not None and sequence <= before:
            return False
        if self._repeats(power_w, self._last_w):
            self._at_the_top += self._is_the_most(power_w)
            return False
        self._alike = self._alike + 1 if power_w == self._last_w else 1
        if self._alike >= _CONSTANT:
            self._constant_w = power_w
        return True

    def remember(self, power_w: float, sequence: int | None) -> None:
        """Take in what the meter answered, good or bad."""
        self._last_w, self._last_sequence = power_w, sequence
        if math.isfinite(power_w):
            self._least_w, self._most_w = min(self._least_w, power_w), max(self._most_w, power_w)
            if is_fine(power_w):
                self._fine_from_w = min(self._fine_from_w, abs(power_w))

    def _is_the_most(self, power_w: float) -> bool:
        """Of all that it has shown, some of which was clearly less."""
        over_w = power_w - self._least_w
        return power_w == self._most_w and over_w > _SIGMAS_OVER * self._noise_w(power_w)

    def _repeats(self, power_w: float, before_w: float | None) -> bool:
        return repeats(power_w, before_w, self._fine_from_w, self._noise_w(power_w))

    def _noise_w(self, power_w: float) -> float:
        known = self._description
        return math.hypot(known.relative_noise * power_w, known.noise_floor_w)

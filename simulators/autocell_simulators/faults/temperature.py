"""Temperatures on a bench: the room's in closed form, that of bodies behind it, and parts that
stay where they were pushed.

The room departs from the temperature of alignment by a sum of terms C exp(λ(t − t₀)), begun at t₀
(λ imaginary: a cycle; real: a decay; zero: a step). A body follows by a first-order lag τ, which
gives each term in closed form: C (exp(λs) − exp(−s/τ))/(1 + λτ) with s = t − t₀.
"""

from __future__ import annotations

import cmath
import math
from dataclasses import dataclass

_LOOK_EVERY_S = 10.0
"""Where a part that friction holds is pushed to is looked at so often."""


@dataclass(frozen=True)
class Term:
    """Re[C exp(λ(t − t₀))] from t₀ on, K. ``soaked`` bodies have had it for ever at t₀."""

    start_s: float
    amplitude_k: complex
    rate_per_s: complex
    soaked: bool = False

    def at(self, time_s: float, lag_s: float) -> float:
        """What a body with this lag has of it."""
        since_s = time_s - self.start_s
        if since_s < 0.0:
            return 0.0
        driven = cmath.exp(self.rate_per_s * since_s)
        if lag_s == 0.0:
            return (self.amplitude_k * driven).real
        forgotten = math.exp(-since_s / lag_s)
        response = (driven - forgotten) / (1.0 + self.rate_per_s * lag_s)
        return (self.amplitude_k * (response + forgotten * self.soaked)).real


class Temperature:
    """How far the room, and what stands in it, is from the temperature of alignment, K."""

    __slots__ = ("_terms",)

    def __init__(self) -> None:
        self._terms: list[Term] = []

    def add(self, term: Term) -> None:
        """One reason more for the room to be at another temperature."""
        self._terms.append(term)

    def remove(self, term: Term) -> None:
        """One reason less, from now on as if it had never been."""
        self._terms.remove(term)

    def at(self, time_s: float, lag_s: float = 0.0) -> float:
        """Departure at a time, of a body behind this lag."""
        return math.fsum(term.at(time_s, lag_s) for term in self._terms)


def cycle(start_s: float, peak_to_peak_k: float, period_s: float, phase_rad: float) -> list[Term]:
    """Half of ``peak_to_peak_k`` times sin(2πs/T + φ) − sin φ: begins without a jump."""
    half_k = 0.5 * peak_to_peak_k
    turning = Term(start_s, half_k * cmath.exp(1j * (phase_rad - math.pi / 2)),
                   2j * math.pi / period_s)  # fmt: skip
    return [turning, Term(start_s, -half_k * math.sin(phase_rad), 0.0)]


class Play:
    """A part that is pushed from either side with play between: friction holds it until then.

    The hysteresis operator P ← min(max(P, x − r), x + r). It depends on the extremes on the way,
    so the input is looked at on a grid of times of its own: how often one asks changes nothing.
    """

    __slots__ = ("_half_width", "_held", "_looked_s")

    def __init__(self, half_width_k: float, start_s: float) -> None:
        self._half_width = half_width_k
        self._held = 0.0
        self._looked_s = start_s

    def at(self, time_s: float, room: Temperature, lag_s: float) -> float:
        """Where the part is at a time, K, driven by a body of this lag."""
        while self._looked_s + _LOOK_EVERY_S <= time_s:
            self._looked_s += _LOOK_EVERY_S
            self._held = self._pushed(room.at(self._looked_s, lag_s))
        return self._pushed(room.at(time_s, lag_s))

    def _pushed(self, by: float) -> float:
        return min(max(self._held, by - self._half_width), by + self._half_width)

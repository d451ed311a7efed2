"""How well a predicted reading agrees with a measured one.

The model is never exact: mirrors are not quite spherical, stages not quite straight, fringes ride
on the power. A reading therefore has, beside its own uncertainty, a *model error* that averaging
at the same setting cannot reduce, and the tails are heavy (Student's t), so that one bad reading
costs a hypothesis a bounded amount.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from autocell.belief.unknowns import FloatArray
from autocell.reading import Reading
from autocell.setting import Setting

DEGREES_OF_FREEDOM = 5.0
_RELATIVE_MODEL_ERROR = 0.006
_COMMON_MODEL_ERROR = 0.004
"""Of the largest reading so far: what a small shift of a steep edge does to a point on it."""

_SAME = np.array([2e-6, 2e-6, 2e-6, 2e-6, 2e-6])
"""Settings closer than this are one setting: their model errors are the same error."""


@dataclass(frozen=True)
class MergedReadings:
    """Readings merged by setting: S settings, power and total standard uncertainty (S,)."""

    settings: tuple[Setting, ...]
    power_w: FloatArray
    sigma_w: FloatArray
    model_error: float = 1.0

    @classmethod
    def of(cls, readings: Sequence[Reading], *, model_error: float = 1.0) -> MergedReadings:
        """Merge ``readings``; ``model_error`` scales the model error (1 is the usual)."""
        groups: list[list[Reading]] = []
        for reading in readings:
            for group in groups:
                if _is_same(group[0].setting, reading.setting):
                    group.append(reading)
                    break
            else:
                groups.append([reading])
        settings, powers, variances = [], [], []
        for group in groups:
            weights = np.array([1.0 / r.uncertainty_w**2 for r in group])
            settings.append(group[0].setting)
            powers.append(float(weights @ [r.power_w for r in group] / weights.sum()))
            variances.append(1.0 / weights.sum())
        power = np.array(powers)
        empty = cls(tuple(settings), power, power, model_error)
        sigma = np.hypot(np.sqrt(np.array(variances)), empty.model_sigma(power, empty.largest_w))
        return cls(tuple(settings), power, sigma, model_error)

    def places(self, readings: Sequence[Reading]) -> list[int]:
        """Where the settings of some of the readings are among the merged ones."""
        return [
            place
            for place, setting in enumerate(self.settings)
            if any(_is_same(setting, reading.setting) for reading in readings)
        ]

    @property
    def largest_w(self) -> float:
        """The largest power read so far; zero without readings."""
        return float(self.power_w.max(initial=0.0))

    def model_sigma(self, power_w: FloatArray, largest_w: float) -> FloatArray:
        """What the model may be wrong by for a reading of ``power_w``."""
        return np.asarray(
            self.model_error
            * np.hypot(_RELATIVE_MODEL_ERROR * power_w, _COMMON_MODEL_ERROR * largest_w)
        )

    def log_likelihood(self, predicted_w: FloatArray) -> FloatArray:
        """Log likelihood of predictions (..., S), summed over settings, up to a constant."""
        return np.asarray(np.sum(self.terms(predicted_w), axis=-1))

    def terms(self, predicted_w: FloatArray) -> FloatArray:
        """What each setting adds to it (..., S): zero where the prediction fits, else less."""
        return log_student((predicted_w - self.power_w) / self.sigma_w)


def log_student(deviation: FloatArray) -> FloatArray:
    """Log density of Student's t, zero at its peak."""
    nu = DEGREES_OF_FREEDOM
    return np.asarray(-0.5 * (nu + 1.0) * np.log1p(deviation**2 / nu))


def _is_same(one: Setting, other: Setting) -> bool:
    return bool(np.all(np.abs(one.as_array() - other.as_array()) < _SAME))

"""What is unknown of a bench, and what its bench file says of it before the first reading.

Unknowns are carried *standardised*: z = 0 is the bench file's value, |z| = 1 its tolerance.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from autocell.description import BenchDescription

FloatArray = NDArray[np.float64]

UNKNOWNS = (
    "spacing_offset_m",
    "entrance_radius_m",
    "far_radius_m",
    "x_m",
    "y_m",
    "slope_x",
    "slope_y",
    "entrance_tilt_x_rad",
    "entrance_tilt_y_rad",
    "far_tilt_x_rad",
    "far_tilt_y_rad",
    "reflectivity",
    "hole_radius_m",
    "waist",
    "log_gain",
)
"""``reflectivity`` is the geometric mean of both mirrors: more cannot be seen from outside.
``waist`` and ``log_gain`` are relative to the bench file; ``log_gain`` gathers everything that
scales the reading alike: laser power, windows, calibration of the meter. Its tolerance is a
factor: 100 % is half to twice."""

NAMES = {
    "spacing_offset_m": "the spacing",
    "entrance_radius_m": "the radius of the entrance mirror",
    "far_radius_m": "the radius of the far mirror",
    "x_m": "the input beam's x",
    "y_m": "the input beam's y",
    "slope_x": "the input beam's slope in x",
    "slope_y": "the input beam's slope in y",
    "entrance_tilt_x_rad": "the entrance mirror's tilt in x",
    "entrance_tilt_y_rad": "the entrance mirror's tilt in y",
    "far_tilt_x_rad": "the far mirror's tilt in x",
    "far_tilt_y_rad": "the far mirror's tilt in y",
    "reflectivity": "the reflectivity",
    "hole_radius_m": "the hole's diameter",
    "waist": "the waist of the input beam",
    "log_gain": "the power",
}
"""In words."""

_SHOULDER = 0.15
"""Width of the prior's tails, in tolerances: one bench in six is a little outside its file."""


@dataclass(frozen=True)
class Prior:
    """Flat within the tolerances, with Gaussian shoulders beyond, each unknown on its own.

    ``centre`` and ``tolerance`` are (D,), in the order of :data:`UNKNOWNS`. ``allowance`` is how
    many tolerances wide the flat part is.
    """

    centre: FloatArray
    tolerance: FloatArray
    allowance: float = 1.0

    def allowing(self, tolerances: float) -> Prior:
        """The same prior, as if the bench file's tolerances were that many times too narrow."""
        return replace(self, allowance=tolerances)

    @classmethod
    def of(cls, bench: BenchDescription) -> Prior:
        """What the bench file says."""
        entrance, far, beam = bench.entrance_mirror, bench.far_mirror, bench.input_beam
        reflectivity = np.sqrt(entrance.reflectivity * far.reflectivity)
        rows = {
            "spacing_offset_m": (0.0, bench.spacing_tolerance_m),
            "entrance_radius_m": (entrance.radius_m, entrance.radius_tolerance_m),
            "far_radius_m": (far.radius_m, far.radius_tolerance_m),
            "x_m": (0.0, beam.position_tolerance_m),
            "y_m": (0.0, beam.position_tolerance_m),
            "slope_x": (0.0, beam.slope_tolerance),
            "slope_y": (0.0, beam.slope_tolerance),
            "entrance_tilt_x_rad": (0.0, entrance.tilt_tolerance_rad),
            "entrance_tilt_y_rad": (0.0, entrance.tilt_tolerance_rad),
            "far_tilt_x_rad": (0.0, far.tilt_tolerance_rad),
            "far_tilt_y_rad": (0.0, far.tilt_tolerance_rad),
            "reflectivity": (
                reflectivity,
                max(entrance.reflectivity_tolerance, far.reflectivity_tolerance),
            ),
            "hole_radius_m": (bench.hole_radius_m, bench.hole_radius_tolerance_m),
            "waist": (1.0, beam.waist_tolerance),
            "log_gain": (0.0, np.log1p(bench.laser.power_tolerance)),
        }
        centre, tolerance = np.array([rows[name] for name in UNKNOWNS]).T
        return cls(centre, tolerance)

    def draw(self, count: int, rng: np.random.Generator) -> FloatArray:
        """``count`` standardised benches, (count, D)."""
        shape = (count, len(UNKNOWNS))
        z = rng.uniform(-self.allowance, self.allowance, shape)
        tails = _SHOULDER * np.sqrt(2.0 * np.pi)
        tail_share = tails / (2.0 * self.allowance + tails)
        tail = rng.normal(0.0, _SHOULDER, shape)
        outside = np.sign(tail) * (self.allowance + np.abs(tail))
        return np.where(rng.random(shape) < tail_share, outside, z)

    def log_density(self, z: FloatArray) -> FloatArray:
        """Log of the prior density of standardised benches (..., D), up to a constant."""
        beyond = np.maximum(np.abs(z) - self.allowance, 0.0) / _SHOULDER
        return np.asarray(-0.5 * np.sum(beyond**2, axis=-1))

    def penalty(self, z: FloatArray) -> FloatArray:
        """Residuals (..., D) whose half sum of squares is minus :meth:`log_density`."""
        return np.sign(z) * np.maximum(np.abs(z) - self.allowance, 0.0) / _SHOULDER

    def stiffness(self, z: FloatArray) -> FloatArray:
        """Second derivative (..., D) of minus :meth:`log_density`."""
        return np.where(np.abs(z) > self.allowance, _SHOULDER**-2.0, 0.0)

    def values(self, z: FloatArray) -> FloatArray:
        """Standardised (..., D) to physical."""
        return self.centre + self.tolerance * z

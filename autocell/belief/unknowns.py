"""What is unknown of a bench, and what its bench file says of it before the first reading.

Unknowns are carried *standardised*: z = 0 is the bench file's value, |z| = 1 its tolerance.
"""

from __future__ import annotations

from dataclasses import dataclass

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

_SHOULDER = 0.15
"""Width of the prior's tails, in tolerances: one bench in six is a little outside its file."""


@dataclass(frozen=True)
class Prior:
    """Flat within the tolerances, with Gaussian shoulders beyond, each unknown on its own.

    ``centre`` and ``tolerance`` are (D,), in the order of :data:`UNKNOWNS`.
    """

    centre: FloatArray
    tolerance: FloatArray

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
        z = rng.uniform(-1.0, 1.0, shape)
        tail_share = _SHOULDER * np.sqrt(2.0 * np.pi) / (2.0 + _SHOULDER * np.sqrt(2.0 * np.pi))
        tail = rng.normal(0.0, _SHOULDER, shape)
        outside = np.sign(tail) * (1.0 + np.abs(tail))
        return np.where(rng.random(shape) < tail_share, outside, z)

    def log_density(self, z: FloatArray) -> FloatArray:
        """Log of the prior density of standardised benches (..., D), up to a constant."""
        beyond = np.maximum(np.abs(z) - 1.0, 0.0) / _SHOULDER
        return np.asarray(-0.5 * np.sum(beyond**2, axis=-1))

    def penalty(self, z: FloatArray) -> FloatArray:
        """Residuals (..., D) whose half sum of squares is minus :meth:`log_density`."""
        return np.sign(z) * np.maximum(np.abs(z) - 1.0, 0.0) / _SHOULDER

    def stiffness(self, z: FloatArray) -> FloatArray:
        """Second derivative (..., D) of minus :meth:`log_density`."""
        return np.where(np.abs(z) > 1.0, _SHOULDER**-2.0, 0.0)

    def values(self, z: FloatArray) -> FloatArray:
        """Standardised (..., D) to physical."""
        return self.centre + self.tolerance * z

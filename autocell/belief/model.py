"""What a bench with given unknowns would show at given settings: the exact trace, in bulk."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from autocell.belief.unknowns import UNKNOWNS, FloatArray, Prior
from autocell.description import BenchDescription
from autocell.optics.cell import Cell, InputBeam
from autocell.optics.trace import exit_power
from autocell.setting import COORDINATES, Setting

_FLOOR = 1e-4
"""Light below this share of the input is not followed: far less than the model error."""


@dataclass(frozen=True)
class Prediction:
    """For M benches at S settings, each (M, S).

    ``passes`` is the number of passes of the light that carries most of the power, ``strongest_w``
    that light alone, ``path_length_m`` its path.
    """

    power_w: FloatArray
    passes: NDArray[np.int64]
    strongest_w: FloatArray
    path_length_m: FloatArray

    @property
    def purity(self) -> FloatArray:
        """Share of the power that made exactly ``passes`` passes; zero in the dark."""
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.where(self.power_w > 0.0, self.strongest_w / self.power_w, 0.0)


class BenchModel:
    """Predicts readings of benches that differ from one bench file by their unknowns."""

    def __init__(self, bench: BenchDescription, *, max_passes: int, threads: int = 1) -> None:
        self.bench = bench
        self.prior = Prior.of(bench)
        self.max_passes = max_passes
        self.threads = threads

    def predict(self, z: FloatArray, settings: Sequence[Setting]) -> Prediction:
        """What benches ``z`` (M, D) show at each setting."""
        points = np.array([setting.as_array() for setting in settings]).T[:, None, :]
        seen = exit_power(
            *self._cells(z[:, None, :], points),
            self.max_passes,
            floor=_FLOOR,
            threads=self.threads,
        )
        gain = self.gain_w(z)[:, None]
        return Prediction(
            gain * seen.power, seen.passes, gain * seen.passes_power, seen.path_length_m
        )

    def cell(self, z: FloatArray, setting: Setting) -> tuple[Cell, InputBeam]:
        """One bench ``z`` (D,) at one setting."""
        return self._cells(z, setting.as_array())

    def gain_w(self, z: FloatArray) -> FloatArray:
        """Watts read for each unit of throughput of benches ``z`` (..., D)."""
        log_gain = self.prior.values(z)[..., UNKNOWNS.index("log_gain")]
        return np.asarray(self.bench.lossless_reading_w * np.exp(log_gain))

    def reflectivity(self, z: FloatArray) -> FloatArray:
        """Reflectivity per bounce of benches ``z`` (..., D)."""
        return np.asarray(self.prior.values(z)[..., UNKNOWNS.index("reflectivity")])

    def spacing_m(self, z: FloatArray, setting: Setting) -> FloatArray:
        """True spacing of benches ``z`` (..., D) at a setting."""
        offset = self.prior.values(z)[..., UNKNOWNS.index("spacing_offset_m")]
        return np.asarray(setting.spacing_m + offset)

    def _cells(self, z: FloatArray, points: FloatArray) -> tuple[Cell, InputBeam]:
        """Benches ``z`` (..., D) at ``points`` (5, ...), broadcast against each other."""
        unknown = dict(zip(UNKNOWNS, np.moveaxis(self.prior.values(z), -1, 0), strict=True))
        reflectivity = np.minimum(unknown["reflectivity"], 1.0)
        nominal = dict(zip(COORDINATES, points, strict=True))
        zero = self.bench.zero
        cell, beam = self.bench.cell(zero.spacing_m), self.bench.beam(zero)
        entrance = replace(
            cell.entrance_mirror,
            radius_x_m=unknown["entrance_radius_m"],
            radius_y_m=unknown["entrance_radius_m"] * self.bench.entrance_mirror.toroidal_ratio,
            tilt_x_rad=unknown["entrance_tilt_x_rad"],
            tilt_y_rad=unknown["entrance_tilt_y_rad"],
            reflectivity=reflectivity,
        )
        far = replace(
            cell.far_mirror,
            radius_x_m=unknown["far_radius_m"],
            radius_y_m=unknown["far_radius_m"] * self.bench.far_mirror.toroidal_ratio,
            tilt_x_rad=unknown["far_tilt_x_rad"],
            tilt_y_rad=unknown["far_tilt_y_rad"],
            reflectivity=reflectivity,
        )
        hole = replace(cell.holes[0], radius_m=unknown["hole_radius_m"])
        cell = replace(
            cell,
            spacing_m=nominal["spacing_m"] + unknown["spacing_offset_m"],
            entrance_mirror=entrance,
            far_mirror=far,
            holes=(hole, *cell.holes[1:]),
        )
        beam = replace(
            beam,
            waist_x_m=beam.waist_x_m * unknown["waist"],
            waist_y_m=beam.waist_y_m * unknown["waist"],
            **{name: nominal[name] + unknown[name] for name in COORDINATES if name in unknown},
        )
        return cell, beam

"""What a bench with given unknowns would show at given settings: the exact trace, in bulk."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from autocell.belief.unknowns import UNKNOWNS, FloatArray, Prior
from autocell.description import BenchDescription
from autocell.optics import kernel
from autocell.optics.trace import pack, tally_rows
from autocell.setting import COORDINATES, Setting

_COLUMN = {key: index for index, key in enumerate(kernel.COLUMNS)}
_UNKNOWN = {name: index for index, name in enumerate(UNKNOWNS)}

_PLAIN = (
    ("entrance_radius_m", ("entrance_mirror", "radius_x_m")),
    ("entrance_radius_m", ("entrance_mirror", "radius_y_m")),
    ("far_radius_m", ("far_mirror", "radius_x_m")),
    ("far_radius_m", ("far_mirror", "radius_y_m")),
    ("entrance_tilt_x_rad", ("entrance_mirror", "tilt_x_rad")),
    ("entrance_tilt_y_rad", ("entrance_mirror", "tilt_y_rad")),
    ("far_tilt_x_rad", ("far_mirror", "tilt_x_rad")),
    ("far_tilt_y_rad", ("far_mirror", "tilt_y_rad")),
    ("reflectivity", ("entrance_mirror", "reflectivity")),
    ("reflectivity", ("far_mirror", "reflectivity")),
)
"""Unknowns that are a parameter of the trace as they stand."""

_ADDED = (
    ("spacing_offset_m", "spacing_m", ("cell", "spacing_m")),
    ("x_m", "x_m", ("beam", "x_m")),
    ("y_m", "y_m", ("beam", "y_m")),
    ("slope_x", "slope_x", ("beam", "slope_x")),
    ("slope_y", "slope_y", ("beam", "slope_y")),
)
"""Unknowns that are added to a coordinate of the setting."""


@dataclass(frozen=True)
class Prediction:
    """For M benches at S settings, each (M, S).

    ``passes`` is the number of passes of the light that carries most of the power,
    ``purity`` its share of it, ``path_length_m`` its path.
    """

    power_w: FloatArray
    passes: NDArray[np.int64]
    purity: FloatArray
    path_length_m: FloatArray


class BenchModel:
    """Predicts readings of benches that differ from one bench file by their unknowns."""

    def __init__(
        self, bench: BenchDescription, *, max_passes: int, threads: int = 1
    ) -> None:
        self.bench = bench
        self.prior = Prior.of(bench)
        self.max_passes = max_passes
        self.threads = threads
        zero = bench.zero
        self._row = pack(bench.cell(zero.spacing_m), bench.beam(zero))[0]

    def rows(self, z: FloatArray, settings: Sequence[Setting]) -> FloatArray:
        """Kernel parameters of benches ``z`` (M, D) at each setting, (M·S, columns)."""
        values = self.prior.values(z)
        points = np.array([setting.as_array() for setting in settings])
        rows = np.empty((len(values), len(points), len(self._row)))
        rows[:] = self._row
        for name, column in _PLAIN:
            rows[:, :, _COLUMN[column]] = values[:, _UNKNOWN[name], None]
        for name, coordinate, column in _ADDED:
            rows[:, :, _COLUMN[column]] = (
                points[None, :, COORDINATES.index(coordinate)] + values[:, _UNKNOWN[name], None]
            )
        rows[:, :, kernel.HOLES + 2] = values[:, _UNKNOWN["hole_radius_m"], None]
        for axis in ("waist_x_m", "waist_y_m"):
            rows[:, :, _COLUMN["beam", axis]] *= values[:, _UNKNOWN["waist"], None]
        return rows.reshape(-1, len(self._row))

    def gain_w(self, z: FloatArray) -> FloatArray:
        """Watts read for each unit of throughput, (M,)."""
        log_gain = self.prior.values(z)[..., _UNKNOWN["log_gain"]]
        return np.asarray(self.bench.laser.power_w * np.exp(log_gain))

    def predict(self, z: FloatArray, settings: Sequence[Setting]) -> Prediction:
        """What benches ``z`` (M, D) show at each setting."""
        tallies = tally_rows(
            self.rows(z, settings),
            np.array([False]),
            False,
            self.max_passes,
            threads=self.threads,
        ).reshape(len(z), len(settings), -1)
        power, passes, strongest, path = (tallies[..., index] for index in range(4))
        with np.errstate(invalid="ignore", divide="ignore"):
            purity = np.where(power > 0.0, strongest / power, 0.0)
        return Prediction(
            self.gain_w(z)[:, None] * power, passes.astype(np.int64), purity, path
        )

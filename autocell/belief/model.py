"""What a bench with given unknowns would show at given settings: the exact trace, in bulk."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from autocell.belief.rows import times
from autocell.belief.unknowns import FloatArray, Prior, coupling_of, scale_of
from autocell.description import BenchDescription
from autocell.optics.batch import Batch, Quantity, changed_in
from autocell.optics.cell import Cell, InputBeam
from autocell.optics.trace import Exit, exit_of
from autocell.outcome import Learned
from autocell.setting import COORDINATES, Setting, coordinates_of

_FLOOR = 1e-4
"""Light below this share of the input is not followed: far less than the model error."""

_LONGEST = 400
"""Passes after which no light is followed, however little the mirrors take of it: mirrors of 0.985
have left 0.2 % of it by then."""

_DIFFERENCE = 1e-3
"""Step of numerical derivatives, in tolerances."""

_OFFSETS = {
    "spacing_m": "spacing_offset_m", "x_m": "x_m", "y_m": "y_m",
    "slope_x": "slope_x", "slope_y": "slope_y",
}  # fmt: skip
"""The unknown that shifts each coordinate of every setting alike."""

IntArray = NDArray[np.int64]


@dataclass(frozen=True)
class Prediction:
    """For M benches at S settings, each (M, S).

    ``power_w`` is what the meter reads, ``light_w`` what of it has followed the path. ``passes``
    is the number of passes of the light that carries most of the power, ``strongest_w`` that light
    alone, ``path_length_m`` its path.
    """

    power_w: FloatArray
    light_w: FloatArray
    passes: IntArray
    strongest_w: FloatArray
    path_length_m: FloatArray

    @property
    def purity(self) -> FloatArray:
        """Share of the light that made exactly ``passes`` passes; zero in the dark."""
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.where(self.light_w > 0.0, self.strongest_w / self.light_w, 0.0)


class BenchModel:
    """Predicts readings of benches that differ from one bench file by their unknowns."""

    def __init__(
        self,
        bench: BenchDescription,
        *,
        max_passes: int | None = None,
        learned: Learned | None = None,
        nights: float = 1.0,
    ) -> None:
        """With ``learned`` it starts from what a proved run knew so many ``nights`` ago.

        Without ``max_passes`` light is followed until no mirror that the bench file allows leaves
        enough of it to count. Following it less far is no approximation but an error: where a
        bench shows more passes than the model can, the model calls on another bench that shows
        fewer.
        """
        self.bench = bench
        self.prior = Prior.of(bench)
        if learned is not None:
            self.prior = self.prior.remembering(learned, bench, nights)
        self.max_passes = _longest_of(bench) if max_passes is None else max_passes
        self._places = {name: place for place, name in enumerate(self.prior.names)}
        self._axes = _AxisUnknowns.of(bench, self._places)
        self._zero = bench.zero.as_array()
        self._cell, self._beam = bench.cell(bench.zero.spacing_m), bench.beam(bench.zero)
        self._batch = Batch.of(self._cell, self._beam)
        self._known = _known_of(bench)
        self._to_positions = np.linalg.pinv(bench.effects)

    def index(self, name: str) -> int | None:
        """Place of an unknown in z; None where the bench file knows it exactly."""
        return self._places.get(name)

    def value(self, name: str, z: FloatArray, otherwise: float = 0.0) -> FloatArray:
        """Physical value of one unknown of benches ``z`` (..., D), of shape (...)."""
        place = self._places.get(name)
        if place is None:
            return np.full(z.shape[:-1], otherwise)
        unknown = self.prior.unknowns[place]
        return np.asarray(unknown.centre + unknown.tolerance * z[..., place])

    def predict(self, z: FloatArray, settings: Sequence[Setting]) -> Prediction:
        """What benches ``z`` (M, D) show at each setting."""
        seen = self._seen(self._quantities(z, settings))
        gain = self.gain_w(z)[:, None]
        return Prediction(
            gain * (seen.power + self.value("stray", z)[:, None])
            + self.value("dark_w", z)[:, None],
            gain * seen.path_power,
            seen.passes,
            gain * seen.passes_power,
            seen.path_length_m,
        )

    def slopes(self, z: FloatArray, settings: Sequence[Setting]) -> tuple[FloatArray, FloatArray]:
        """Power (M, S) of benches ``z`` (M, D), and its derivatives (M, S, D) by each unknown.

        The light is traced once for every quantity that it meets. The scales and couplings of the
        axes only shift the coordinates of a setting, and gain, dark level and stray light only
        change the reading: the chain rule has the rest.
        """
        here = self._quantities(z, settings)
        shifts = self._axis_shifts(coordinates_of(settings).T)
        steps = {name: _DIFFERENCE * self._uncertain(name, shifts) for name in here}
        nudged = [name for name, step in steps.items() if step > 0.0]
        stacked = dict(here)
        for row, name in enumerate(nudged, start=1):
            stacked[name] = np.repeat(here[name][None], len(nudged) + 1, axis=0)
            stacked[name][row] += steps[name]
        light = np.broadcast_to(self._seen(stacked).power, (len(nudged) + 1, len(z), len(settings)))
        by_quantity = {
            name: (light[row] - light[0]) / steps[name] for row, name in enumerate(nudged, start=1)
        }

        gain = self.gain_w(z)[:, None]
        stray, dark_w = self.value("stray", z)[:, None], self.value("dark_w", z)[:, None]
        slope = np.zeros((len(z), len(settings), len(self._places)))
        for name, derivative in by_quantity.items():
            place = self._places.get(_OFFSETS.get(name, name))
            if place is not None:
                slope[..., place] = gain * derivative
        for row, place in enumerate(self._axes.place):
            for number, name in enumerate(COORDINATES):
                if name in by_quantity:
                    slope[..., place] += gain * by_quantity[name] * shifts[row, number]
        of_reading = {"log_gain": gain * (light[0] + stray), "stray": gain, "dark_w": 1.0}
        for name, change in of_reading.items():
            if name in self._places:
                slope[..., self._places[name]] = change
        return gain * (light[0] + stray) + dark_w, slope * self.prior.tolerance

    def cell(self, z: FloatArray, setting: Setting) -> tuple[Cell, InputBeam]:
        """Benches ``z`` (..., D) at one setting: a batch of shape (...)."""
        flat = z.reshape(-1, z.shape[-1])
        met = self._met(self._quantities(flat, [setting]))
        return changed_in(
            self._cell,
            self._beam,
            {
                quantity: np.broadcast_to(value, (len(flat), 1)).reshape(z.shape[:-1])
                for quantity, value in met.items()
            },
        )

    def gain_w(self, z: FloatArray) -> FloatArray:
        """Watts read for each unit of throughput of benches ``z`` (..., D)."""
        return np.asarray(self.bench.lossless_reading_w * np.exp(self.value("log_gain", z)))

    def reflectivity(self, z: FloatArray) -> FloatArray:
        """Reflectivity per bounce of benches ``z`` (..., D)."""
        return self._quantity("reflectivity", z)

    def spacing_m(self, z: FloatArray, setting: Setting) -> FloatArray:
        """True spacing of benches ``z`` (M, D) at a setting, (M,)."""
        return np.asarray(self._quantities(z, [setting])["spacing_m"][:, 0])

    def curvature_per_m(self, z: FloatArray) -> FloatArray:
        """Mean curvature of the mirrors of benches ``z`` (..., D)."""
        sides = ("entrance_radius_m", "far_radius_m")
        return np.asarray(sum(0.5 / self._quantity(side, z) for side in sides))

    def _seen(self, quantities: Mapping[str, FloatArray]) -> Exit:
        batch = self._batch.having(self._met(quantities))
        return exit_of(batch, self.max_passes, floor=_FLOOR, threads=None)

    def _quantity(self, name: str, z: FloatArray) -> FloatArray:
        """A quantity that the light meets at every setting alike, unknown or not, (M,)."""
        return self.value(name, z, self._known.get(name, 0.0))

    def _quantities(self, z: FloatArray, settings: Sequence[Setting]) -> dict[str, FloatArray]:
        """All that the light meets in benches ``z`` (M, D): (M, S) where it changes with the
        setting, else (M, 1), or (1, 1) where it is known."""
        values = self.prior.values(z)[:, None, :]
        found = {
            name: np.full((1, 1), self._known.get(name, 0.0))
            if (place := self._places.get(name)) is None
            else values[..., place]
            for name in _STATIC
        }
        points = coordinates_of(settings).T
        off = z[:, self._axes.place] * self.prior.tolerance[self._axes.place]
        shifts = self._axis_shifts(points)
        by_axes = times(off, shifts.reshape(len(shifts), -1)).reshape(len(z), *points.shape)
        for number, name in enumerate(COORDINATES):
            found[name] = points[number] + by_axes[:, number]
            place = self._places.get(_OFFSETS[name])
            if place is not None:
                found[name] += values[..., place]
        return found

    def _axis_shifts(self, points: FloatArray) -> FloatArray:
        """What a unit of each axis unknown adds to the coordinates of ``points`` (5, S):
        (K, 5, S)."""
        positions = self._to_positions @ (points - self._zero[:, None])
        effect = self.bench.effects[:, self._axes.acts_as].T
        return np.asarray(effect[:, :, None] * positions[self._axes.axis][:, None, :])

    def _uncertain(self, name: str, shifts: FloatArray) -> float:
        """How far a quantity may be off in its own unit; zero when it is known."""
        place = self._places.get(_OFFSETS.get(name, name))
        own = 0.0 if place is None else self.prior.unknowns[place].tolerance
        if name not in COORDINATES:
            return own
        tolerance = self.prior.tolerance[self._axes.place]
        by_axes = tolerance @ np.abs(shifts[:, COORDINATES.index(name)]).max(axis=-1, initial=0.0)
        return max(own, float(by_axes))

    def _met(self, found: Mapping[str, FloatArray]) -> dict[Quantity, FloatArray]:
        """The numbers of cell and beam of benches that have these quantities."""
        waist_x, waist_y = (
            np.asarray(size) for size in (self._beam.waist_x_m, self._beam.waist_y_m)
        )
        reflectivity = np.minimum(found["reflectivity"], 1.0)
        met: dict[Quantity, FloatArray] = {
            ("cell", "spacing_m"): found["spacing_m"],
            ("hole 1", "radius_m"): found["hole_radius_m"],
            ("beam", "waist_x_m"): found["waist"] * waist_x,
            ("beam", "waist_y_m"): found["waist"] * waist_y,
        }
        for name in COORDINATES[1:]:
            met["beam", name] = found[name]
        for side in ("entrance", "far"):
            mirror, radius_m = f"{side}_mirror", found[f"{side}_radius_m"]
            met[mirror, "radius_x_m"] = radius_m
            met[mirror, "radius_y_m"] = radius_m * found[f"{side}_ratio"]
            met[mirror, "tilt_x_rad"] = found[f"{side}_tilt_x_rad"]
            met[mirror, "tilt_y_rad"] = found[f"{side}_tilt_y_rad"]
            met[mirror, "reflectivity"] = reflectivity
        return met


def _known_of(bench: BenchDescription) -> dict[str, float]:
    """What the bench file says of quantities that are not zero when they are known."""
    return {
        "entrance_radius_m": bench.entrance_mirror.radius_m,
        "far_radius_m": bench.far_mirror.radius_m,
        "entrance_ratio": bench.entrance_mirror.toroidal_ratio,
        "far_ratio": bench.far_mirror.toroidal_ratio,
        "reflectivity": bench.mean_reflectivity,
        "hole_radius_m": bench.entrance_hole.radius_m,
        "waist": 1.0,
    }


_STATIC = (
    "entrance_radius_m", "entrance_ratio", "entrance_tilt_x_rad", "entrance_tilt_y_rad",
    "far_radius_m", "far_ratio", "far_tilt_x_rad", "far_tilt_y_rad",
    "reflectivity", "hole_radius_m", "waist",
)  # fmt: skip
"""Quantities that are the same at every setting."""


@dataclass(frozen=True)
class _AxisUnknowns:
    """The K unknowns of the axes, each (K,): its place in z, the axis that travels, and the axis
    that its travel acts as."""

    place: IntArray
    axis: IntArray
    acts_as: IntArray

    @classmethod
    def of(cls, bench: BenchDescription, places: Mapping[str, int]) -> _AxisUnknowns:
        order = {name: number for number, name in enumerate(bench.axes)}
        found = []
        for name, axis in order.items():
            names = {scale_of(name): axis}
            names |= {coupling_of(name, other): number for other, number in order.items()}
            found += [(places[key], axis, as_) for key, as_ in names.items() if key in places]
        return cls(*np.array(found, dtype=np.int64).reshape(-1, 3).T)


def _longest_of(bench: BenchDescription) -> int:
    """Passes after which the best mirrors that the bench file allows leave less than the floor."""
    tolerances = [m.reflectivity_tolerance for m in (bench.entrance_mirror, bench.far_mirror)]
    best = bench.mean_reflectivity + 2.0 * max(tolerances)
    return min(_LONGEST, int(np.log(_FLOOR) / np.log(best)) + 1) if best < 1.0 else _LONGEST

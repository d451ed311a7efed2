"""What is unknown of a bench, and what its bench file says of it before the first reading.

Unknowns are carried *standardised*: z = 0 is the bench file's value, |z| = 1 its tolerance. What
the file gives no tolerance is not unknown and has no place in z.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from autocell.belief.memory import Memory
from autocell.belief.rows import times
from autocell.description import AxisDescription, BenchDescription
from autocell.outcome import Learned

FloatArray = NDArray[np.float64]

_FLAT_PRECISION = 3.0
"""One over the variance of a flat prior from −1 to 1."""

_STRIDE, _WALK = 2.38, 100
"""Stride for √D unknowns (Roberts, Gelman & Gilks, Ann. Appl. Probab. 7, 110 (1997), [mem]), and
steps of the walk that brings benches to the density of a memory."""

_HOLE_DOUBT = 0.15
"""Share of its radius by which a hole may let light through otherwise than one of its size: its
edge is rough or bevelled, and a beam that crosses a thick mirror at an angle meets a narrower one.
[trade]"""

_TAIL = 0.08
"""Tolerances beyond the file at which the prior has fallen by a factor e: of an unknown, one bench
in thirteen is a little outside its file, and few are far outside."""


@dataclass(frozen=True)
class Unknown:
    """One number that is not known: its name, in words, its value in the bench file and how far
    the real one may be from it. ``doubt`` is how far at least where the bench file is not to be
    relied on."""

    name: str
    words: str
    centre: float
    tolerance: float
    doubt: float = 0.0


def unknowns_of(bench: BenchDescription) -> tuple[Unknown, ...]:
    """What the bench file gives a tolerance, SI.

    ``reflectivity`` is the geometric mean of both mirrors: more cannot be seen from outside.
    ``*_ratio`` is a mirror's radius in y over that in x. ``waist`` is relative to the bench file,
    and so is ``log_gain``, which gathers everything that scales the reading alike: laser power,
    windows, calibration of the meter. Its tolerance is a factor: 100 % is half to twice.
    ``scale of A`` is what a unit of travel of axis A does, less what the file says; ``A into B``
    the share of it that acts as axis B would. ``dark_w`` is what is left of the dark level after
    it was subtracted, ``stray`` the share of the arriving light that reaches the detector without
    having followed the path.
    """
    entrance, far, beam = bench.entrance_mirror, bench.far_mirror, bench.input_beam
    stage = bench.axes.get("spacing")
    everything = (
        Unknown("spacing_offset_m", "the spacing", 0.0, bench.spacing_tolerance_m),
        *_of_mirror("entrance", bench),
        *_of_mirror("far", bench),
        Unknown("x_m", "the input beam's x", 0.0, beam.position_tolerance_m),
        Unknown("y_m", "the input beam's y", 0.0, beam.position_tolerance_m),
        Unknown("slope_x", "the input beam's slope in x", 0.0, beam.slope_tolerance),
        Unknown("slope_y", "the input beam's slope in y", 0.0, beam.slope_tolerance),
        Unknown(
            "reflectivity",
            "the reflectivity",
            bench.mean_reflectivity,
            max(entrance.reflectivity_tolerance, far.reflectivity_tolerance),
        ),
        Unknown(
            "hole_radius_m",
            "the hole's diameter",
            bench.entrance_hole.radius_m,
            bench.entrance_hole.radius_tolerance_m,
            doubt=_HOLE_DOUBT * bench.entrance_hole.radius_m,
        ),
        Unknown("waist", "the waist of the input beam", 1.0, beam.waist_tolerance),
        Unknown("log_gain", "the power", 0.0, float(np.log1p(bench.laser.power_tolerance))),
        Unknown("dark_w", "the dark level", 0.0, bench.meter.dark_tolerance_w),
        Unknown("stray", "the stray light", 0.0, bench.meter.stray_tolerance),
        *(
            Unknown(scale_of(name), f"the scale of {name}", 0.0, _scale_tolerance(axis))
            for name, axis in bench.axes.items()
        ),
        *(
            Unknown(coupling_of(name, other), f"what {name} does of {other}", 0.0, tolerance)
            for name, axis in bench.axes.items()
            for other, tolerance in _couplings(bench, name).items()
            if axis is not stage
        ),
    )
    return tuple(unknown for unknown in everything if unknown.tolerance > 0.0)


def _scale_tolerance(axis: AxisDescription) -> float:
    """With open-loop axes, what all steps do too much or too little alike."""
    steps = axis.open_loop
    return (
        axis.scale_tolerance if steps is None else max(axis.scale_tolerance, steps.gain_tolerance)
    )


def scale_of(axis: str) -> str:
    """Name of the unknown scale of an axis."""
    return f"scale of {axis}"


def coupling_of(axis: str, other: str) -> str:
    """Name of the unknown share of an axis's travel that acts as another axis would."""
    return f"{axis} into {other}"


def _of_mirror(side: str, bench: BenchDescription) -> tuple[Unknown, ...]:
    mirror = bench.entrance_mirror if side == "entrance" else bench.far_mirror
    return (
        Unknown(
            f"{side}_radius_m",
            f"the radius of the {side} mirror",
            mirror.radius_m,
            mirror.radius_tolerance_m,
        ),
        Unknown(
            f"{side}_ratio",
            f"the {side} mirror's radius in y over that in x",
            mirror.toroidal_ratio,
            mirror.toroidal_tolerance,
        ),
        Unknown(
            f"{side}_tilt_x_rad", f"the {side} mirror's tilt in x", 0.0, mirror.tilt_tolerance_rad
        ),
        Unknown(
            f"{side}_tilt_y_rad", f"the {side} mirror's tilt in y", 0.0, mirror.tilt_tolerance_rad
        ),
    )


def _couplings(bench: BenchDescription, name: str) -> dict[str, float]:
    """Only axes of one unit couple: the two angles of a mount, the two slides under it."""
    axis = bench.axes[name]
    return {
        other: axis.coupling_tolerance
        for other, second in bench.axes.items()
        if other not in (name, "spacing") and second.unit == axis.unit
    }


@dataclass(frozen=True)
class Prior:
    """Flat within the tolerances, falling exponentially beyond, each unknown on its own.

    ``centre`` and ``tolerance`` are (D,), in the order of ``unknowns``. ``allowance`` is how many
    tolerances wide the flat part is, one number or (D,); beyond, the density falls by a factor e
    every ``tail`` tolerances. With a ``memory``, what an earlier proved run learned is multiplied
    in.
    """

    unknowns: tuple[Unknown, ...]
    allowance: float | FloatArray = 1.0
    memory: Memory | None = None
    tail: float = _TAIL

    @classmethod
    def of(cls, bench: BenchDescription) -> Prior:
        """What the bench file says."""
        return cls(unknowns_of(bench))

    @cached_property
    def names(self) -> tuple[str, ...]:
        """Names of the unknowns, (D,)."""
        return tuple(unknown.name for unknown in self.unknowns)

    @cached_property
    def centre(self) -> FloatArray:
        """The bench file's values (D,)."""
        return np.array([unknown.centre for unknown in self.unknowns])

    @cached_property
    def tolerance(self) -> FloatArray:
        """The bench file's tolerances (D,)."""
        return np.array([unknown.tolerance for unknown in self.unknowns])

    def allowing(self, tolerances: float) -> Prior:
        """The bench file alone, as if its tolerances were that many times too narrow, and narrower
        where an unknown is in doubt by more than that."""
        known = np.maximum(self.tolerance, np.finfo(float).tiny)
        doubt = np.array([unknown.doubt for unknown in self.unknowns])
        allowance = np.where(
            self.tolerance > 0.0, np.maximum(tolerances, doubt / known), tolerances
        )
        return replace(self, allowance=allowance, memory=None)

    def doubting(self, tail: float) -> Prior:
        """The bench file alone, of which the unknowns may lie so far outside."""
        return replace(self, allowance=1.0, memory=None, tail=tail)

    def remembering(self, learned: Learned, bench: BenchDescription, nights: float) -> Prior:
        """The same prior, narrowed by what a run learned so many nights ago."""
        memory = Memory.recalled(learned, bench, self.names, self.centre, self.tolerance, nights)
        return replace(self, memory=memory)

    def forgetting(self) -> Prior:
        """The bench file alone."""
        return replace(self, memory=None)

    def draw(self, count: int, rng: np.random.Generator) -> FloatArray:
        """``count`` standardised benches, (count, D)."""
        if self.memory is not None:
            return self._remembered(count, rng)
        shape = (count, len(self.unknowns))
        z = rng.uniform(-self.allowance, self.allowance, shape)
        outside = np.sign(z) * (self.allowance + rng.exponential(self.tail, shape))
        return np.where(rng.random(shape) < self.tail / (self.allowance + self.tail), outside, z)

    def _remembered(self, count: int, rng: np.random.Generator) -> FloatArray:
        """Benches that the memory suggests and the bench file allows.

        Few draws of the memory lie within all tolerances at once. So they come from a Gaussian
        that is about as wide as both together, and walk (Metropolis) until they follow the density.
        """
        assert self.memory is not None
        precision = self.memory.precision + _FLAT_PRECISION * np.eye(len(self.unknowns))
        covariance = np.linalg.inv(precision)
        root = np.linalg.cholesky(covariance)
        centre = covariance @ self.memory.precision @ self.memory.mean
        z = centre + times(rng.normal(size=(count, len(centre))), root.T)
        density = self.log_density(z)
        stride = _STRIDE / np.sqrt(len(centre))
        for _ in range(_WALK):
            trial = z + stride * times(rng.normal(size=z.shape), root.T)
            tried = self.log_density(trial)
            better = np.log(rng.random(count)) < tried - density
            z[better], density[better] = trial[better], tried[better]
        return z

    def log_density(self, z: FloatArray) -> FloatArray:
        """Log of the prior density of standardised benches (..., D), up to a constant."""
        density = np.asarray(-np.sum(self._beyond(z), axis=-1) / self.tail)
        return density if self.memory is None else density + self.memory.log_density(z)

    def gradient(self, z: FloatArray) -> FloatArray:
        """Derivative (..., D) of minus :meth:`log_density`.

        Raises ValueError with a memory, which a best fit must not rest on.
        """
        if self.memory is not None:
            raise ValueError("a best fit starts from the bench file alone: forget the memory first")
        return np.where(self._beyond(z) > 0.0, np.sign(z) / self.tail, 0.0)

    def stiffness(self, z: FloatArray) -> FloatArray:
        """Second derivative (..., D) of the parabola that a best fit takes for minus
        :meth:`log_density`, without the memory: it touches it at ``z``, and is lowest where the
        flat part ends (but no narrower than the tail)."""
        beyond = self._beyond(z)
        return np.where(beyond > 0.0, 1.0 / (self.tail * np.maximum(beyond, self.tail)), 0.0)

    def _beyond(self, z: FloatArray) -> FloatArray:
        """How many tolerances outside the flat part, (..., D)."""
        return np.maximum(np.abs(z) - self.allowance, 0.0)

    def values(self, z: FloatArray) -> FloatArray:
        """Standardised (..., D) to physical."""
        return self.centre + self.tolerance * z

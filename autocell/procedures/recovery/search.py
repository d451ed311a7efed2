"""Look for a beam that misses the entrance hole: ring by ring around where it should be, along the
axes that shift it and as far as they reach, unless caps end it before; at six passes, where a beam
that enters the hole anywhere comes out again.

Where the first light is, the beam is led to where there is most of it. In the dark nothing is known
of the beam, and nothing is believed on the way.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from autocell.belief.unknowns import FloatArray
from autocell.bench.bench import Bench
from autocell.description import AxisDescription, BenchDescription
from autocell.errors import BudgetError, LimitError, ReadingError
from autocell.reading import Reading
from autocell.setting import Setting

_SIGMAS = 5.0
"""Standard uncertainties above the dark level that are light."""

_BRIGHTER = 3.0
"""Standard uncertainties by which one place has more light than another."""

_SAMPLES = 5
"""Of a reading in the dark: light that is worth having is seen in one."""

_FINEST = 0.1
"""Of the hole's radius: nearer than that to the most light nobody needs to come."""

_NOT_NEW = 0.15
"""Of a step: a place so near to one where there was no light is not looked at again."""


@dataclass(frozen=True)
class Shift:
    """How far one axis was moved until the beam was in the hole, m or rad."""

    axis: str
    unit: str
    shift: float

    @property
    def words(self) -> str:
        """In a sentence."""
        return f"{self.axis} by {1e3 * self.shift:+.3f} {self.unit}"


@dataclass(frozen=True)
class Found:
    """What the search came to: the brightest reading, None where there was no light anywhere;
    how many places it looked at, how far the furthest lay from where the beam should be, and how
    far from there it left out nothing that the axes reach (m at the hole); what ended it early;
    and what the axes were moved by."""

    light: Reading | None
    places: int
    furthest_m: float
    around_m: float = 0.0
    ended: str = ""
    shifts: tuple[Shift, ...] = ()

    @property
    def words(self) -> str:
        """What was done, in a sentence."""
        where = f"{self.places} places up to {1e3 * self.furthest_m:.1f} mm from where it should be"
        if self.light is None and self.ended:
            around = f"all that the axes reach {1e3 * self.around_m:.1f} mm around among them"
            looked = f"no light at {where}, {around}" if self.places else "nothing was looked at"
            return f"{looked}; the search was ended there: {self.ended}"
        if self.places == 0:
            return "no axis of this bench shifts the beam in the hole: it was not looked for"
        if self.light is None:
            return f"no light at {where}, as far as the axes reach"
        moved = ", ".join(shift.words for shift in self.shifts) or "moving nothing"
        found = f"{1e3 * self.light.power_w:.3g} mW after {moved}, having looked at {where}"
        return f"{found}; there may be more: {self.ended}" if self.ended else found


class BeamSearch:
    """One search around ``middle``, a setting at which the beam should be in the hole.

    Caps, limits and readings that cannot be used end it. Raises what else moving and reading
    raise: whoever calls undoes what was moved.
    """

    def __init__(self, bench: Bench, middle: Setting) -> None:
        self._bench = bench
        self._middle = middle
        self._axes = shifting_axes(bench.description)
        self._step_m = step_m(bench.description)
        here = bench.description.positions(middle)
        self._here = np.array([here[axis.name] for axis in self._axes])
        reach = [bench.description.reach(axis.name) for axis in self._axes]
        self._low = np.array([low for low, _ in reach])
        self._high = np.array([high for _, high in reach])
        self._per_m = np.array([1.0 / math.hypot(*axis.effect[1:3]) for axis in self._axes])
        self._looked: list[FloatArray] = []
        self._around_m = 0.0
        self._most: tuple[FloatArray, Reading] | None = None

    def look(self) -> Found:
        """Place after place outwards until there is light, and from there to the most of it."""
        ended = ""
        try:
            for offset in self._places():
                seen = self._read(offset, "looking for the beam")
                self._looked.append(offset)
                if is_light(self._bench, seen):
                    self._climb(offset, seen)
                    break
        except (BudgetError, LimitError, ReadingError) as error:
            ended = str(error)
        return self._found(ended)

    def _places(self) -> Iterator[FloatArray]:
        """Offsets of the axes in m at the hole, ring by ring, each within the limits and new."""
        for ring in range(self._rings + 1):
            for steps in around(ring, len(self._axes)):
                offset = self._within(self._step_m * np.array(steps, dtype=float))
                if self._is_new(offset):
                    yield offset
            self._around_m = ring * self._step_m

    @property
    def _rings(self) -> int:
        """Of which the last is at the furthest that any axis reaches, or beyond."""
        ends_m = np.array([self._low - self._here, self._high - self._here]) / self._per_m
        return math.ceil(float(np.abs(ends_m).max(initial=0.0)) / self._step_m)

    def _within(self, offset_m: FloatArray) -> FloatArray:
        """The nearest offset that the axes reach."""
        position = np.clip(self._here + offset_m * self._per_m, self._low, self._high)
        reached: FloatArray = (position - self._here) / self._per_m
        return reached

    def _is_new(self, offset_m: FloatArray) -> bool:
        near = _NOT_NEW * self._step_m
        return all(float(np.abs(offset_m - seen).max()) > near for seen in self._looked)

    def _climb(self, offset: FloatArray, seen: Reading) -> None:
        """From the first light to the most of it: as long as a side is brighter go there, then
        look nearer."""
        self._most = offset, seen
        stride_m = 0.5 * self._step_m
        while stride_m > _FINEST * self._bench.description.entrance_hole.radius_m:
            for side in _sides(len(self._axes)):
                there = self._within(offset + stride_m * side)
                if np.allclose(there, offset, atol=_NOT_NEW * stride_m):
                    continue
                other = self._read(there, "looking for more light")
                if _is_brighter(other, seen):
                    self._most = offset, seen = there, other
            stride_m *= 0.5
        self._most = offset, self._read(offset, "where there is most light")

    def _read(self, offset_m: FloatArray, purpose: str) -> Reading:
        travel = offset_m * self._per_m
        effects = np.array([axis.effect for axis in self._axes])
        setting = Setting.from_array(self._middle.as_array() + travel @ effects)
        self._bench.move_to(setting, purpose)
        return self._bench.read_power(purpose, max_samples=_SAMPLES)

    def _found(self, ended: str) -> Found:
        offset, seen = (None, None) if self._most is None else self._most
        furthest_m = max((float(np.hypot.reduce(place)) for place in self._looked), default=0.0)
        travels = [] if offset is None else list(zip(self._axes, offset * self._per_m, strict=True))
        shifts = tuple(
            Shift(axis.name, axis.unit, float(travel))
            for axis, travel in travels
            if abs(travel) > 5.0 * axis.repeatability
        )
        return Found(seen, len(self._looked), furthest_m, self._around_m, ended, shifts)


def shifting_axes(bench: BenchDescription) -> tuple[AxisDescription, ...]:
    """The axes that shift the beam at the hole, one for each direction; those that turn it as well
    only where no other does."""
    chosen: list[AxisDescription] = []
    shifting = [axis for axis in bench.axes.values() if any(axis.effect[1:3])]
    for axis in sorted(shifting, key=lambda axis: any(axis.effect[3:5])):
        directions = np.array([other.effect[1:3] for other in (*chosen, axis)])
        directions = directions / np.linalg.norm(directions, axis=1, keepdims=True)
        if np.linalg.matrix_rank(directions, tol=0.3) > len(chosen):
            chosen.append(axis)
    return tuple(chosen)


def step_m(bench: BenchDescription) -> float:
    """From one place to the next, m at the hole. A place shows light of a beam that comes as near
    as the hole's radius and that of the beam; squares whose corners are so far from their middle
    leave nothing out."""
    beam = bench.input_beam
    waist_m = beam.waist_m
    rayleigh_m = math.pi * waist_m**2 / (beam.beam_quality * bench.laser.wavelength_m)
    radius_m = waist_m * math.hypot(1.0, beam.waist_distance_m / rayleigh_m)
    return (bench.entrance_hole.radius_m + radius_m) / math.sqrt(2.0)


def around(ring: int, axes: int) -> list[tuple[int, ...]]:
    """The places of a square ring in the order in which one comes by them; on a line its ends."""
    if axes == 0:
        return []
    if axes == 1:
        return [(0,)] if ring == 0 else [(-ring,), (ring,)]
    side = range(-ring, ring + 1)
    places = [(i, k) for i in side for k in side if max(abs(i), abs(k)) == ring]
    return sorted(places, key=lambda place: math.atan2(place[1], place[0]))


def is_light(bench: Bench, reading: Reading) -> bool:
    """Whether a reading is light, by five standard uncertainties of its own and of the dark
    level."""
    dark_u_w = 0.0 if bench.dark is None else bench.dark.uncertainty_w
    return reading.power_w > _SIGMAS * math.hypot(reading.uncertainty_w, dark_u_w)


def _is_brighter(one: Reading, other: Reading) -> bool:
    u_w = math.hypot(one.uncertainty_w, other.uncertainty_w)
    return one.power_w - other.power_w > _BRIGHTER * u_w


def _sides(axes: int) -> Iterator[FloatArray]:
    for axis in range(axes):
        for sign in (-1.0, 1.0):
            side = np.zeros(axes)
            side[axis] = sign
            yield side

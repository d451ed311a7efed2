"""Search the neighbourhood of a place for the light that was there, by axes that count steps.

Unequal steps find no place again. So the power alone is compared, read after every move, and a line
is followed one way at a time.
"""

from __future__ import annotations

import contextlib
import itertools
import math
from dataclasses import dataclass

from autocell.bench.bench import Bench
from autocell.bench.budget import BY_SIGNAL
from autocell.errors import BudgetError, LimitError
from autocell.procedures.tuning import READING_NOISE
from autocell.reading import Reading
from autocell.setting import Setting

_SIGMAS = 3.0

_REACH = 3
_STRIDE = 0.75
"""Readings on each side of the place along one line, and how far apart in standard uncertainties of
the positions."""

_FURTHEST = _REACH * _STRIDE
"""How far from the place along any axis the light is looked for, in the same: no further than the
steps may have missed by."""

_FINER = 12
"""Readings to get from two sides of the light to it."""

_COARSEST = 20.0
"""Repeatabilities of an axis that count as a standard uncertainty at least: by less it cannot be
led."""

_ALIKE = 0.8
"""Correlation of what two axes miss by: drives of one kind (common practice, no source)."""

_PROBE = 0.15
"""Standard uncertainties by which an axis is moved to see how the light changes along it."""

_TRIES, _ROUNDS = 5, 3

Offset = tuple[float, ...]
"""Of each axis from the place, in standard uncertainties of its position."""


@dataclass(frozen=True)
class Light:
    """The power that was read somewhere, and its standard uncertainty."""

    power_w: float
    u_w: float

    @classmethod
    def of(cls, reading: Reading) -> Light:
        """What this reading shows."""
        return cls(reading.power_w, reading.uncertainty_w)


class _Found(Exception):
    """The power is what it was."""


class LightSearch:
    """A search around one place. ``last`` is the reading where the bench stands."""

    def __init__(
        self,
        bench: Bench,
        place: Setting,
        before: Light,
        names: tuple[str, ...],
        reading: Reading,
    ) -> None:
        positions, u = bench.description.positions(place), bench.open_loop.u
        self._bench = bench
        self._before = before
        self._home = {name: positions[name] for name in names}
        axes = bench.description.axes
        self._u = {name: max(u[name], _COARSEST * axes[name].repeatability) for name in names}
        # less than it repeats leads an axis nowhere
        self._least = min(axes[name].repeatability / u for name, u in self._u.items())
        self.last = reading
        self.readings = 0
        self._at: Offset = (0.0,) * len(names)
        self._nearest = (abs(self._off(reading)), self._at)

    def found(self, reading: Reading) -> bool:
        """Whether the power is what it was, as far as both are certain."""
        before = self._before
        u_w = math.hypot(before.u_w, reading.uncertainty_w, READING_NOISE * before.power_w)
        return abs(reading.power_w - before.power_w) <= _SIGMAS * u_w

    def carry_out(self, name: str) -> Reading | None:
        """The reading where the power is what it was, the open-loop axes taken to be at the place
        from then on; None when it was not found: then they are where it was nearest.

        What they miss by after the same ways is most probably alike, so that all of them together
        are tried first. Each line is gone along one way and then the other: steps that differ by
        direction lead every to and fro elsewhere. Many places have the same light: the one that is
        looked for lies nearest to where the count had it.
        """
        with contextlib.suppress(BudgetError, LimitError):
            for _ in range(_ROUNDS):
                if self._anywhere() and self._nearer():
                    self._bench.open_loop.take_for(self._home, f"the light is that of {name}")
                    return self.last
        with contextlib.suppress(BudgetError, LimitError):
            self._go(self._nearest[1])
            self.last = self._bench.read_power("where the light was nearest", READING_NOISE)
        return None

    def _off(self, reading: Reading) -> float:
        return reading.power_w - self._before.power_w

    def _anywhere(self) -> bool:
        """Find the light along one of the lines; whether it was found."""
        try:
            for direction in self._lines():
                self._along(direction)
        except _Found:
            return True
        return False

    def _nearer(self) -> bool:
        """From where the light was found to the most probable place that has it, by how it changes
        along each axis; whether it was found there, or at least again where it was.

        Of all x with g·x = c, where g is the slope of the light and C the covariance of what the
        axes miss by, C g (g·x)/(gᵀC g) is the most probable.
        """
        there = self._at
        if len(there) == 1 or not any(there):
            return True
        slope = self._slope()
        if slope is None:
            self._look(there)
            return self.found(self.last)
        pull = tuple((1.0 - _ALIKE) * g + _ALIKE * sum(slope) for g in slope)
        wanted = _dot(slope, self._at) - self._off(self.last)
        place = _scaled(pull, wanted / _dot(slope, pull))
        downhill = _scaled(pull, 1.0 / math.hypot(*pull))
        steepness = _dot(slope, downhill)
        return self._down(place, downhill, steepness) or self._down(there, downhill, steepness)

    def _slope(self) -> Offset | None:
        """By how much the power changes along each axis from here, W for each standard uncertainty
        of its position; None where that is lost in the noise."""
        changes, off = [], self._off(self.last)
        for axis in range(len(self._at)):
            at = tuple(a + _PROBE * (k == axis) for k, a in enumerate(self._at))
            now = self._look(at)
            changes.append((now - off) / _PROBE)
            off = now
        noise_w = _SIGMAS * math.hypot(self._before.u_w, READING_NOISE * self._before.power_w)
        return tuple(changes) if math.hypot(*changes) * _PROBE > noise_w else None

    def _down(self, place: Offset, downhill: Offset, steepness: float) -> bool:
        """From a place along the way that the light changes most, by ``steepness`` for each unit,
        until it is what it was."""
        try:
            off = self._read(place)
            for _ in range(_TRIES):
                before = self._at
                stride = min(max(-off / steepness, -_STRIDE), _STRIDE)
                now = self._read(_plus(before, _scaled(downhill, stride)))
                if now * off < 0.0:
                    self._between(self._at, before, now, off)
                off = now
        except _Found:
            return True
        except LimitError:
            pass
        return False

    def _lines(self) -> list[Offset]:
        """Directions to look along: all axes together, with either sign, then each on its own."""
        count = len(self._home)
        signs = itertools.product((1.0, -1.0), repeat=count - 1)
        together = [(1.0, *rest) for rest in signs]
        alone = [tuple(float(k == axis) for k in range(count)) for axis in range(count)]
        return list(dict.fromkeys([*together, *alone]))

    def _along(self, direction: Offset) -> None:
        """Read along a line: backward from the place, then from the place forward."""
        off = self._off(self.last)
        for way in (tuple(-d for d in direction), direction):
            for stride in range(0 if way == direction else 1, _REACH + 1):
                at = _scaled(way, stride * _STRIDE)
                before = self._at
                try:
                    now = self._read(at)
                    if now * off < 0.0:
                        self._between(at, before, now, off)
                except LimitError:
                    break
                off = now

    def _between(self, at: Offset, other: Offset, off: float, off_there: float) -> None:
        """Go to and fro where the power has passed what it was on the way from ``other``, by as
        much as the light lacks: where a place was, unequal steps do not find again."""
        way = _plus(other, _scaled(at, -1.0))
        step = _clipped(abs(off) / (abs(off) + abs(off_there)), 0.1, 0.9)
        for _ in range(_FINER):
            at = _within_reach(_plus(at, _scaled(way, step)))
            if math.dist(at, self._at) < 0.5 * self._least:
                return  # no further than that
            now = self._read(at)
            if now * off < 0.0:
                step *= -_clipped(abs(now) / (abs(now) + abs(off)), 0.1, 0.9)
            else:
                gone = max(abs(off) - abs(now), 0.1 * abs(now))
                step *= _clipped(abs(now) / gone, 0.25, 1.5)
            step = math.copysign(max(abs(step), self._least / math.hypot(*way)), step)
            off = now

    def _read(self, at: Offset) -> float:
        """Go there and read; how far the power is from what it was, W. Raises _Found."""
        off = self._look(at)
        if self.found(self.last):
            raise _Found
        return off

    def _look(self, at: Offset) -> float:
        """Go there and read; how far the power is from what it was, W."""
        if self.readings >= BY_SIGNAL - 1:
            raise BudgetError(f"{self.readings} readings did not show the place")
        self._go(at)
        self._at = at
        self.last = self._bench.read_power("looking for the light that was here", READING_NOISE)
        self.readings += 1
        off = self._off(self.last)
        self._nearest = min(self._nearest, (abs(off), at))
        return off

    def _go(self, at: Offset) -> None:
        targets = {
            name: self._home[name] + offset * self._u[name]
            for name, offset in zip(self._home, at, strict=True)
        }
        self._bench.move_axes(targets, "looking for the light that was here")


def _plus(at: Offset, other: Offset) -> Offset:
    return tuple(a + b for a, b in zip(at, other, strict=True))


def _within_reach(at: Offset) -> Offset:
    """The same place, or the one on the way to it from the middle that no line is gone beyond."""
    furthest = max(map(abs, at))
    return at if furthest <= _FURTHEST else _scaled(at, _FURTHEST / furthest)


def _clipped(value: float, low: float, high: float) -> float:
    return min(max(value, low), high)


def _dot(one: Offset, other: Offset) -> float:
    return sum(a * b for a, b in zip(one, other, strict=True))


def _scaled(direction: Offset, length: float) -> Offset:
    return tuple(length * d for d in direction)

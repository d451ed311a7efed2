"""Settle where the least margin is largest, each axis in units of what it drifts overnight."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from autocell.belief.plateau import Spread
from autocell.belief.unknowns import FloatArray
from autocell.description import AxisDescription
from autocell.optics.sensitivity import PARAMETERS, Margins, plateau_margins, reach_of_hole
from autocell.outcome import AxisMargin
from autocell.procedures.edges import SIDES, locate_edge
from autocell.procedures.tuning import Tuning
from autocell.scan import Scan
from autocell.setting import Setting

_WORTH = 1.05
"""By what factor the least margin must grow for a move: less is within what the belief knows."""

_JUDGES, _WITNESSES = 5, 15
"""Model benches that choose a place, and that tell the margins there with their uncertainty."""

_SLACK = 3.0
"""Axes with so many times the least margin are left out while a place is looked for."""

_SPARE = 0.1
"""Share of an axis's reach kept free at its ends: the nights to come will want to move it."""

_STEPS = 8


def steering_axes(tuning: Tuning) -> list[str]:
    """The axes that turn the input beam: pitch and yaw, whatever the bench calls them."""
    axes = tuning.bench.description.axes
    return [name for name, axis in axes.items() if any(axis.effect[3:5])]


def locate_beam_edges(tuning: Tuning, at: Setting) -> frozenset[str]:
    """Read at both edges of every steering axis; names of those whose both edges were located."""
    located = set()
    for name in steering_axes(tuning):
        scan = tuning.scan(name, at)
        edges = [locate_edge(tuning, scan, side) for side in SIDES]
        if all(edge.located for edge in edges):
            located.add(name)
    return frozenset(located)


def margins_at(tuning: Tuning, at: Setting, located: frozenset[str]) -> tuple[AxisMargin, ...]:
    """How far every drifting axis may go from a setting before the pattern is lost."""
    axes = _drifting(tuning)
    if not axes:
        return ()
    low, high = _Judges.of(tuning, at, axes, _WITNESSES).ends()
    return tuple(
        _margin(axis, Spread.of(low[:, k]), Spread.of(high[:, k]), axis.name in located)
        for k, axis in enumerate(axes)
    )


def widest_place(tuning: Tuning, at: Setting) -> Setting:
    """The setting with the largest least margin, near ``at``, by a compass search over the
    spacing and the steering axes; ``at`` itself when nothing is worth a move."""
    axes = _drifting(tuning)
    if not axes:
        return at
    judges = _Judges.of(tuning, at, axes, _JUDGES)
    if not len(judges.benches):
        return at
    scans = [tuning.scan(name, at) for name in ("spacing", *steering_axes(tuning))]
    low, high = judges.ends()
    judges = judges.of_the_tightest(low, high)
    start = float(judges.nights(np.zeros((1, 5)))[0])
    if not (math.isfinite(start) and start > 0.0):
        return at
    moved, best = np.zeros(len(scans)), start
    stride = np.array([_room(scan, axes, low, high) for scan in scans])
    effects = np.array([scan.effect for scan in scans])
    spare = np.array([_SPARE * (scan.high - scan.low) for scan in scans])
    # never further out than it is already
    lowest = np.minimum([scan.low - scan.here for scan in scans] + spare, 0.0)
    highest = np.maximum([scan.high - scan.here for scan in scans] - spare, 0.0)
    for step in range(_STEPS):
        if step == _STEPS // 2 and best == start:
            break  # what shorter strides would gain is not worth a move
        compass = np.concatenate([np.diag(stride), -np.diag(stride)])
        tried = np.clip(moved + compass, lowest, highest)
        nights = judges.nights(tried @ effects)
        if nights.max() > best:
            moved, best = tried[int(nights.argmax())], float(nights.max())
        else:
            stride = 0.5 * stride
    return Setting.from_array(at.as_array() + moved @ effects) if best > _WORTH * start else at


def _room(scan: Scan, axes: list[AxisDescription], low: FloatArray, high: FloatArray) -> float:
    """A quarter of the plateau along a scan: the first stride of the search."""
    names = [axis.name for axis in axes]
    if scan.axis.name not in names:
        return 0.0
    k = names.index(scan.axis.name)
    width = np.minimum(low[:, k], scan.here - scan.low) + np.minimum(
        high[:, k], scan.high - scan.here
    )
    return 0.25 * float(np.median(width))


def _drifting(tuning: Tuning) -> list[AxisDescription]:
    axes = tuning.bench.description.axes.values()
    return [axis for axis in axes if axis.overnight_drift > 0.0]


def _margin(axis: AxisDescription, low: Spread, high: Spread, located: bool) -> AxisMargin:
    def known(value: float) -> float | None:
        return value if math.isfinite(value) else None

    return AxisMargin(
        axis.name,
        axis.unit,
        known(low.value),
        known(high.value),
        known(low.u),
        known(high.u),
        axis.overnight_drift,
        located,
    )


@dataclass(frozen=True)
class _Judges:
    """Some members of the belief (B, D), asked how far each axis may go from a setting.

    ``directions`` (A, P) are what a unit of each axis does, ``scale`` (A,) the travel that moves a
    spot by about the radius of the hole, ``drift`` (A,) what the axis does overnight.
    """

    tuning: Tuning
    at: Setting
    benches: FloatArray
    directions: FloatArray
    scale: FloatArray
    drift: FloatArray

    @classmethod
    def of(cls, tuning: Tuning, at: Setting, axes: list[AxisDescription], count: int) -> _Judges:
        z = tuning.belief.z
        ours = z[tuning.belief.predict((at,)).passes[:, 0] == tuning.passes][:count]
        directions = np.zeros((len(axes), len(PARAMETERS)))
        directions[:, :5] = [axis.effect for axis in axes]  # PARAMETERS begin with the setting
        drift = np.array([axis.overnight_drift for axis in axes])
        scale = np.ones(len(axes))
        if len(ours):
            scale = reach_of_hole(*tuning.model.cell(ours[0], at), tuning.passes, directions)
        return cls(tuning, at, ours, directions, scale, drift)

    def ends(self) -> tuple[FloatArray, FloatArray]:
        """Distance to the low and to the high end along each axis, each (B, A)."""
        if not len(self.benches):
            return np.empty((0, len(self.drift))), np.empty((0, len(self.drift)))
        margins = self._margins(self.directions, np.zeros_like(self.directions), self.scale)
        return -margins.low, margins.high

    def of_the_tightest(self, low: FloatArray, high: FloatArray) -> _Judges:
        """The same judges, asked only about the axes whose margin may become the least."""
        nights = np.median(np.minimum(low, high), axis=0) / self.drift
        tight = nights <= _SLACK * nights.min()
        return replace(
            self,
            directions=self.directions[tight],
            scale=self.scale[tight],
            drift=self.drift[tight],
        )

    def nights(self, changes: FloatArray) -> FloatArray:
        """Least margin in nights of drift at settings changed by (C, 5), mean over the benches."""
        count, axes = len(changes), len(self.drift)
        around = np.zeros((count * axes, len(PARAMETERS)))
        around[:, :5] = np.repeat(changes, axes, axis=0)
        along, scale = np.tile(self.directions, (count, 1)), np.tile(self.scale, count)
        room = self._margins(along, around, scale).smaller.reshape(-1, count, axes)
        return np.asarray((room / self.drift).min(axis=-1).mean(axis=0))

    def _margins(self, along: FloatArray, around: FloatArray, scale: FloatArray) -> Margins:
        cells, beams = self.tuning.model.cell(self.benches, self.at)
        return plateau_margins(cells, beams, self.tuning.passes, along, around, scale)

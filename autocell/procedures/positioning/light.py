"""What the light shows of an axis that was approached from both sides: its reversal and its sign.

Along an axis the power is P = f(x). Approached from above, the axis stands b further up than its
target says, so that P = f(x + b) there. Where f is steep this shows b; on the flat of a plateau it
shows nothing, and that is said.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares

from autocell.belief.model import BenchModel
from autocell.belief.unknowns import FloatArray
from autocell.description import AxisDescription, BenchDescription
from autocell.setting import Setting

_MEMBERS = 600
_PASSES = 200
"""Light is followed so far: beyond that nothing is left of it on any bench worth a check."""
_ALIKE = 3.0
"""Slopes within this factor count as alike: the tolerances allow as much."""
_SURE = 0.95
_SIGNIFICANT = 5.0
"""Standard uncertainties that a slope has to have before its sign counts."""


@dataclass(frozen=True)
class Approach:
    """One reading of a check: where the axis was sent (m or rad), from which side, and the power
    there, W."""

    target: float
    from_above: bool
    power_w: float
    uncertainty_w: float


@dataclass(frozen=True)
class Seen:
    """What the light shows of one axis, m or rad.

    ``lost`` is by how much further up the axis stands after an approach from above than after one
    from below, ``u`` its standard uncertainty, infinite where the light does not change along the
    axis. ``slope_per`` is the relative change of power per m or rad; ``agrees`` whether its sign is
    that of the bench file, None where the light does not tell.
    """

    lost: float
    u: float
    slope_per: float
    slope_u: float
    agrees: bool | None


def look(
    bench: BenchDescription, axis: AxisDescription, start: Setting, approaches: Sequence[Approach]
) -> Seen:
    """What these approaches show of ``axis``; ``start`` is the setting in the middle of them."""
    target = np.array([a.target for a in approaches])
    from_above = np.array([a.from_above for a in approaches])
    power_w = np.array([a.power_w for a in approaches])
    # of all readings alike: a few samples each tell their own noise badly
    u_w = float(np.sqrt(np.mean([a.uncertainty_w**2 for a in approaches])))
    lost, u, slope_per, slope_u = _fit(target, from_above, power_w, u_w, axis.repeatability)
    agrees = None
    if abs(slope_per) > _SIGNIFICANT * slope_u:
        agrees = _sign(bench, axis, start, np.unique(target), slope_per)
    return Seen(lost, u, slope_per, slope_u, agrees)


def _fit(
    target: FloatArray, from_above: FloatArray, power_w: FloatArray, u_w: float, scatter: float
) -> tuple[float, float, float, float]:
    """b with its standard uncertainty, and the relative slope in the middle with its own.

    f is a parabola: over the short way of a check the edge of a plateau is little else. Each
    approach ends within ``scatter`` of its place, which counts the more the steeper f is, so that
    it is fitted twice. What the parabola misses widens the uncertainties by √(χ²/ν).
    """
    middle, half = 0.5 * (target.min() + target.max()), 0.5 * np.ptp(target)
    x = (target - middle) / half
    scale = float(np.abs(power_w).max())
    y, u = power_w / scale, np.full(len(x), u_w / scale)

    def missed(p: FloatArray) -> FloatArray:
        at = x + p[3] * from_above
        return np.asarray((p[0] + p[1] * at + p[2] * at**2 - y) / u)

    began = np.append(np.polynomial.polynomial.polyfit(x, y, 2), 0.0)
    fit = least_squares(missed, began, x_scale="jac")
    u = np.hypot(u, (fit.x[1] + 2.0 * fit.x[2] * x) * scatter / half)
    fit = least_squares(missed, fit.x, x_scale="jac")
    wider = max(1.0, 2.0 * float(fit.cost) / (len(x) - 4))
    level, slope = fit.x[0] * half, fit.x[1]
    jacobian = np.asarray(fit.jac)
    try:
        variance = np.diag(np.linalg.inv(jacobian.T @ jacobian)) * wider
    except np.linalg.LinAlgError:  # quite flat: nothing depends on b
        return 0.0, np.inf, float(slope / level), np.inf
    u_slope, u_lost = np.sqrt(variance[1]), half * np.sqrt(variance[3])
    return float(half * fit.x[3]), float(u_lost), float(slope / level), float(u_slope / level)


def _sign(
    bench: BenchDescription,
    axis: AxisDescription,
    start: Setting,
    targets: FloatArray,
    slope_per: float,
) -> bool | None:
    """Whether a slope has the sign that the bench file gives it: by counting, of the benches that
    its tolerances allow and that have a slope of this size here, those with this sign.

    Jeffreys' rule for a share, (k + ½)/(n + 1). None where neither sign is sure.
    """
    model = BenchModel(bench, max_passes=_PASSES)
    z = model.prior.draw(_MEMBERS, np.random.default_rng(0))
    offsets = targets - 0.5 * (targets.min() + targets.max())
    here = start.as_array()
    effect = np.array(axis.effect)
    settings = [Setting.from_array(here + effect * offset) for offset in offsets]
    power_w = model.predict(z, settings).power_w
    slopes = np.polynomial.polynomial.polyfit(offsets, power_w.T, 2)
    with np.errstate(invalid="ignore", divide="ignore"):
        expected = slopes[1] / slopes[0]
        ratio = np.abs(expected / slope_per)
    alike = (ratio > 1.0 / _ALIKE) & (ratio < _ALIKE)
    same = alike & (expected * slope_per > 0.0)
    share = (np.count_nonzero(same) + 0.5) / (np.count_nonzero(alike) + 1.0)
    if share > _SURE:
        return True
    return False if share < 1.0 - _SURE else None

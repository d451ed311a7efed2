"""Where the plateau of a pass count begins and ends along the spacing."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from autocell.optics.cell import FloatArray


def plateau_edges(
    spacing_m: FloatArray,
    power: FloatArray,
    passes: NDArray[np.int64],
    strongest: FloatArray,
    wanted: int,
    near_m: ArrayLike,
) -> tuple[FloatArray, FloatArray]:
    """Edges of the plateau of ``wanted`` passes that is nearest to ``near_m``.

    An edge is where the light of the wanted pass count stops being the strongest, or has fallen
    to half of its largest power, whichever comes first; between two spacings it is interpolated.

    Args:
        spacing_m: (S,), rising.
        power, passes, strongest: (..., S), as :class:`autocell.optics.trace.Exit` has them
            (``path_power``, ``passes``, ``passes_power``).
        wanted: the pass count.
        near_m: one spacing for all, or one for each.

    Returns:
        Low and high edge (...); NaN where there is no plateau or it goes on beyond the scan.
    """
    shape = power.shape[:-1]
    ours = passes == wanted
    with np.errstate(invalid="ignore", divide="ignore"):
        purity = np.where(power > 0.0, strongest / power, 0.0)
    light = np.where(ours, strongest, 0.0)
    peak = np.maximum(light.max(axis=-1, keepdims=True), 1e-300)
    # positive on the plateau, zero where another pass count overtakes or half the light is lost
    height = np.where(
        ours, np.minimum(2.0 * purity - 1.0, 2.0 * light / peak - 1.0), 1.0 - 2.0 * purity
    )
    low, high = np.full(shape, np.nan), np.full(shape, np.nan)
    wanted_at = np.broadcast_to(np.asarray(near_m, dtype=float), shape)
    for index in np.ndindex(shape):
        profile = height[index]
        on = np.flatnonzero(ours[index] & (profile > 0.0))
        if on.size == 0:
            continue
        runs = np.split(on, np.flatnonzero(np.diff(on) > 1) + 1)
        run = min(runs, key=lambda r: _distance(spacing_m[r], float(wanted_at[index])))
        low[index] = _crossing(spacing_m, profile, int(run[0]) - 1, int(run[0]))
        high[index] = _crossing(spacing_m, profile, int(run[-1]) + 1, int(run[-1]))
    return low, high


def _distance(run_m: FloatArray, near_m: float) -> float:
    """How far a run of spacings is from a spacing: zero when it contains it; wide runs first."""
    outside = max(run_m[0] - near_m, near_m - run_m[-1], 0.0)
    return float(outside - 1e-3 * (run_m[-1] - run_m[0]))


def _crossing(spacing_m: FloatArray, profile: FloatArray, outside: int, inside: int) -> float:
    """Where the profile passes zero between two neighbouring spacings; NaN beyond the scan."""
    if not 0 <= outside < len(profile):
        return float("nan")
    a, b = float(profile[outside]), float(profile[inside])
    share = 0.5 if a >= 0.0 else a / (a - b)
    return float(spacing_m[outside] + share * (spacing_m[inside] - spacing_m[outside]))

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
    count = spacing_m.size
    height, on = height.reshape(-1, count), (ours & (height > 0.0)).reshape(-1, count)
    near = np.broadcast_to(np.asarray(near_m, dtype=float), shape).reshape(-1)
    whose, first, last = _nearest_runs(on, spacing_m, near)
    edges = np.full((2, len(on)), np.nan)
    edges[0, whose] = _crossing(spacing_m, height[whose], first - 1, first)
    edges[1, whose] = _crossing(spacing_m, height[whose], last + 1, last)
    low, high = edges.reshape(2, *shape)
    return low, high


def _nearest_runs(
    on: NDArray[np.bool_], spacing_m: FloatArray, near_m: FloatArray
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """The run of spacings in each row of ``on`` (B, S) that is nearest to ``near_m`` (B,): which
    row, its first and its last place. Rows without a run are left out."""
    beside = np.zeros((len(on), 1), dtype=bool)
    steps = np.diff(np.concatenate([beside, on, beside], axis=1).astype(np.int8), axis=1)
    whose, first = np.nonzero(steps > 0)
    last = np.nonzero(steps < 0)[1] - 1
    low_m, high_m = spacing_m[first], spacing_m[last]
    # how far a run is from the spacing: zero when it contains it; wide runs first
    outside = np.maximum(np.maximum(low_m - near_m[whose], near_m[whose] - high_m), 0.0)
    order = np.lexsort((outside - 1e-3 * (high_m - low_m), whose))
    chosen = order[np.unique(whose[order], return_index=True)[1]]
    return whose[chosen], first[chosen], last[chosen]


def _crossing(
    spacing_m: FloatArray,
    height: FloatArray,
    outside: NDArray[np.int64],
    inside: NDArray[np.int64],
) -> FloatArray:
    """Where each height (B, S) passes zero between two neighbouring spacings, (B,); NaN beyond the
    scan."""
    beyond = (outside < 0) | (outside >= spacing_m.size)
    there = np.where(beyond, inside, outside)
    row = np.arange(len(height))
    a, b = height[row, there], height[row, inside]
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.where(a >= 0.0, 0.5, a / (a - b))
    crossing = spacing_m[there] + share * (spacing_m[inside] - spacing_m[there])
    return np.where(beyond, np.nan, crossing)

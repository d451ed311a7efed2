"""The best fit of a hypothesis: climbing from many starts at once.

Levenberg–Marquardt on the heavy-tailed likelihood (iteratively reweighted) plus the prior, for
all starts in one batch, with derivatives by differences of the exact trace.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from autocell.belief.likelihood import DEGREES_OF_FREEDOM, MergedReadings
from autocell.belief.model import BenchModel
from autocell.belief.unknowns import FloatArray, Prior
from autocell.setting import Setting

_RIDGE = 1e-3
_LONGEST = 0.5
"""Longest step of one unknown, in tolerances: slopes are not trusted further."""

_GAINED = 0.02
"""Log units: a step that gains less is not worth the next."""

_PATIENCE = 4
"""Refused steps in a row after which a bench is left where it is; a gain too small counts two."""

_SHARES = np.array([1.0, 0.3, 0.1])
"""Of a step, tried together: the whole may lead over the border of the plateau."""

_OFF_THE_PATH = ("log_gain", "reflectivity", "dark_w", "stray")
"""Unknowns that change the power and not the way of the light: no border ends a step of these."""


@dataclass(frozen=True)
class Fit:
    """Climbed benches (K, D) and their log posterior (K,)."""

    z: FloatArray
    log_posterior: FloatArray


def climb(
    model: BenchModel,
    prior: Prior,
    data: MergedReadings,
    z: FloatArray,
    *,
    showing: tuple[Setting, ArrayLike] | None = None,
    steps: int = 12,
    behind: tuple[ArrayLike, float] | None = None,
) -> Fit:
    """Improve the benches ``z`` (K, D) by at most ``steps`` steps each; none gets worse.

    With ``showing`` a bench only takes steps after which it still shows that number of passes,
    one for all or one for each, at that setting. With ``behind`` one that is further than so many
    log units behind the best of some (K,) after its first step is left there.
    """
    z = z.copy()
    if showing is not None:
        at, passes = showing
        wanted = np.broadcast_to(np.asarray(passes), len(z))
    best = score(model, prior, data, z)
    predicted = np.empty((len(z), len(data.settings)))
    slope = np.empty((*predicted.shape, z.shape[1]))
    moved = np.arange(len(z))  # where slopes are not known yet; a bench that is refused has them
    damping = np.full(len(z), 1e-2)
    stalled = np.zeros(len(z), dtype=np.int64)
    for number in range(steps):
        active = np.flatnonzero(stalled < _PATIENCE)
        if active.size == 0:
            break
        unknown = np.intersect1d(moved, active, assume_unique=True)
        predicted[unknown], slope[unknown] = model.slopes(z[unknown], data.settings)
        deviation = (predicted[active] - data.power_w) / data.sigma_w
        step, within = _steps(
            model,
            prior,
            z[active],
            deviation,
            slope[active] / data.sigma_w[:, None],
            damping[active],
        )
        trial = z[active] + np.concatenate([_SHARES[:, None, None] * step, within[None]])
        flat = trial.reshape(-1, z.shape[1])
        reached = score(model, prior, data, flat)
        if showing is not None:
            kept = shows(model, flat, at, np.tile(wanted[active], len(trial)))
            reached[~kept] = -np.inf
        reached = reached.reshape(len(trial), -1)
        share = reached.argmax(axis=0)
        trial, reached = (tried[share, np.arange(active.size)] for tried in (trial, reached))
        gain = reached - best[active]
        better = gain > 0.0
        moved = active[better]
        z[moved], best[moved] = trial[better], reached[better]
        damping[active] *= np.where(better & (share == 0), 0.25, np.where(better, 1.0, 4.0))
        worth = better & (gain > _GAINED)
        stalled[active] = np.where(worth, 0, stalled[active] + np.where(better, 2, 1))
        if behind is not None and number == 0:
            leading, most = behind
            leader = best[np.asarray(leading)].max(initial=-np.inf)
            stalled[best < leader - most] = _PATIENCE
    return Fit(z, best)


def shows(model: BenchModel, z: FloatArray, at: Setting, passes: ArrayLike) -> NDArray[np.bool_]:
    """Which of the benches ``z`` (K, D) show a number of passes at a setting, (K,)."""
    return np.asarray(model.predict(z, (at,)).passes[:, 0] == np.asarray(passes))


def score(model: BenchModel, prior: Prior, data: MergedReadings, z: FloatArray) -> FloatArray:
    """Log posterior (K,) of the benches ``z`` (K, D), up to a constant."""
    predicted = model.predict(z, data.settings).power_w
    return data.log_likelihood(predicted) + prior.log_density(z)


def _steps(
    model: BenchModel,
    prior: Prior,
    z: FloatArray,
    deviation: FloatArray,
    jacobian: FloatArray,
    damping: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Two damped Gauss–Newton steps (K, D) of each bench: of all unknowns, and of those off the
    path alone. ``deviation`` (K, S) of its predictions in standard uncertainties, and the
    ``jacobian`` (K, S, D) of that.
    """
    weight = (DEGREES_OF_FREEDOM + 1.0) / (DEGREES_OF_FREEDOM + deviation**2)
    stiff = prior.stiffness(z)
    gradient = np.einsum("ksu,ks->ku", jacobian, weight * deviation) + prior.gradient(z)
    weighted = jacobian * np.sqrt(weight)[..., None]
    normal = np.swapaxes(weighted, 1, 2) @ weighted
    diagonal = np.einsum("kuu->ku", normal)
    normal = (
        normal
        + np.eye(z.shape[1]) * ((stiff + _RIDGE + damping[:, None] * (1.0 + diagonal))[:, None, :])
    )
    off_path = [place for name in _OFF_THE_PATH if (place := model.index(name)) is not None]
    within = np.zeros_like(z)
    block = normal[:, off_path][:, :, off_path]
    within[:, off_path] = -np.linalg.solve(block, gradient[:, off_path, None])[..., 0]
    step = -np.linalg.solve(normal, gradient[..., None])[..., 0]
    return np.clip(step, -_LONGEST, _LONGEST), np.clip(within, -_LONGEST, _LONGEST)

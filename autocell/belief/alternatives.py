"""How much worse another pass count explains the same readings."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from autocell.belief.best_fit import climb
from autocell.belief.model import Prediction
from autocell.belief.population import Belief
from autocell.belief.unknowns import UNKNOWNS, FloatArray, Prior
from autocell.setting import Setting

_OFFSET = UNKNOWNS.index("spacing_offset_m")
ALLOWANCE = 3.0
"""Tolerances within which a rival may find its bench: a proof must not rest on a bench file that
claims to know its bench better than it does."""

_STARTS = 5

_HOPELESS = 60.0
"""Log units behind, after the first steps of its climb, at which a rival is left where it is."""


@dataclass(frozen=True)
class Alternative:
    """Another pass count at the same setting.

    ``log_odds`` is how far (natural log of the posterior density) its best fit stays behind that
    of the favoured pass count. ``z`` (D,) is that fit.
    """

    passes: int
    log_odds: float
    z: FloatArray


@dataclass(frozen=True)
class Weighing:
    """The best fit (D,) of the favoured pass count, and its rivals, the closest first."""

    passes: int
    z: FloatArray
    rivals: tuple[Alternative, ...]

    @property
    def closest(self) -> float:
        """Log odds of the favoured pass count over its closest rival."""
        return self.rivals[0].log_odds if self.rivals else float("inf")

    @property
    def probability_factor(self) -> float:
        """What the rivals together leave of the favoured pass count's probability."""
        odds = np.array([rival.log_odds for rival in self.rivals])
        return float(1.0 / (1.0 + np.sum(np.exp(-np.clip(odds, -50.0, None)))))


def weigh(belief: Belief, at: Setting, passes: int, rng: np.random.Generator) -> Weighing:
    """Weigh ``passes`` at a setting against every rival.

    Rivals are the pass counts that benches within :data:`ALLOWANCE` tolerances show at this
    setting, and those of the plateaus next door. Each gets the best chance: it starts from
    benches that show it, and from the best members of the belief with their spacing shifted onto
    its plateau, and goes wherever within the allowance the readings are explained best. A
    pass count that no such bench can show here is no rival.
    """
    model, evidence = belief.model, belief.evidence
    prior = model.prior.allowing(ALLOWANCE)
    prior_z = prior.draw(3000, rng)
    prior_seen = model.predict(prior_z, (at,)).passes[:, 0]
    favourites = belief.best(_STARTS)
    around = at.spacing_m + np.linspace(-4e-3, 4e-3, 81)
    nearby = model.predict(favourites, [at.at_spacing(float(d)) for d in around])

    ours = climb(model, prior, evidence, favourites, showing=(at, passes))
    best = float(ours.log_posterior.max())

    clean = nearby.passes[nearby.purity > 0.9]
    found = []
    for rival in np.unique(np.concatenate([prior_seen, clean])):
        if rival in (passes, 0):
            continue
        starts = np.concatenate(
            [
                _shifted_onto(rival, prior, favourites, nearby, around, at),
                _likeliest(belief, prior_z[prior_seen == rival]),
            ]
        )
        starts = starts[model.predict(starts, (at,)).passes[:, 0] == rival]
        if len(starts):
            showing = (at, int(rival))
            fit = climb(model, prior, evidence, starts, showing=showing, steps=3)
            if best - float(fit.log_posterior.max()) < _HOPELESS:
                fit = climb(model, prior, evidence, fit.z, showing=showing)
            top = int(fit.log_posterior.argmax())
            found.append(Alternative(int(rival), best - float(fit.log_posterior[top]), fit.z[top]))
    found.sort(key=lambda alternative: alternative.log_odds)
    return Weighing(passes, ours.z[ours.log_posterior.argmax()], tuple(found))


def _shifted_onto(
    rival: int,
    prior: Prior,
    z: FloatArray,
    nearby: Prediction,
    around: FloatArray,
    at: Setting,
) -> FloatArray:
    """The benches ``z`` with their spacing offset shifted so that ``at`` falls on the rival.

    None where the bench file knows the spacing exactly.
    """
    shifted = []
    for bench, passes in zip(z, nearby.passes, strict=True):
        there = around[passes == rival]
        if there.size and prior.tolerance[_OFFSET] > 0.0:
            centre = there[np.argmin(np.abs(there - np.median(there)))]
            moved = bench.copy()
            moved[_OFFSET] += (centre - at.spacing_m) / prior.tolerance[_OFFSET]
            shifted.append(moved)
    return np.array(shifted).reshape(-1, len(UNKNOWNS))


def _likeliest(belief: Belief, z: FloatArray) -> FloatArray:
    """Of benches of the prior, those that explain the readings best as they stand."""
    some = z[:200]
    if len(some) <= _STARTS:
        return some
    seen = belief.model.predict(some, belief.evidence.settings).power_w
    return np.asarray(some[np.argsort(belief.evidence.log_likelihood(seen))[-_STARTS:]])

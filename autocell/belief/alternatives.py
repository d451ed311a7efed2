"""How much worse another pass count explains the same readings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from autocell.belief.best_fit import Fit, climb, score
from autocell.belief.model import IntArray, Prediction
from autocell.belief.population import Belief
from autocell.belief.unknowns import FloatArray, Prior
from autocell.setting import Setting

_OFFSET = "spacing_offset_m"
ALLOWANCE = 3.0
"""Tolerances within which a rival may find its bench: a proof must not rest on a bench file that
claims to know its bench better than it does."""

_DRAWN, _LIKE_IT, _STARTS, _KEPT = 3000, 200, 5, 3
"""Benches drawn; those of one pass count that are looked at; how many of them climb, and how many
climb on after the first steps."""

_NAMED, _OUTSIDE = 3, 1.1
"""Unknowns that are named when the bench file is doubted, and from how many tolerances on."""

_DOUBTS, _LIKELY, _PATIENTLY = (0.3, 1.0), 20, 40
"""Tolerances beyond the file that are a factor e less likely when it is doubted, the second where
with the first no unknown is outside; of the benches drawn then so many climb, and so many steps."""

_HOPELESS = 60.0
"""Log units behind, after the first steps of its climb, at which a rival is left where it is."""

_MANY, _FAR_BEHIND = 150, 2.0 * _HOPELESS
"""Benches that climb at once, from which on time is saved on those that are so many log units
behind: after one step, or when the last weighing ended. With wide tolerances there are hundreds of
pass counts, most of which nothing speaks for."""


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
    """The best fit (D,) of the favoured pass count, and its rivals, the closest first; and whether
    so ``many`` benches had to climb that those far behind were given up early."""

    passes: int
    z: FloatArray
    rivals: tuple[Alternative, ...]
    many: bool = False

    @property
    def fits(self) -> tuple[FloatArray, ...]:
        """The best fit (D,) of every pass count; where there were :data:`_MANY`, of those that are
        not far behind."""
        most = _FAR_BEHIND if self.many else np.inf
        return (self.z, *(rival.z for rival in self.rivals if rival.log_odds <= most))

    @property
    def closest(self) -> float:
        """Log odds of the favoured pass count over its closest rival."""
        return self.rivals[0].log_odds if self.rivals else float("inf")

    @property
    def probability_factor(self) -> float:
        """What the rivals together leave of the favoured pass count's probability."""
        odds = np.array([rival.log_odds for rival in self.rivals])
        return float(1.0 / (1.0 + np.sum(np.exp(-np.clip(odds, -50.0, None)))))


def weigh(
    belief: Belief,
    at: Setting,
    passes: int,
    rng: np.random.Generator,
    found_before: Sequence[FloatArray] = (),
) -> Weighing:
    """Weigh ``passes`` at a setting against every rival.

    Rivals are the pass counts that benches within :data:`ALLOWANCE` tolerances show at this
    setting, and those of the plateaus next door. Each gets the best chance: it starts from
    benches that show it, and from the best members of the belief with their spacing shifted onto
    its plateau, and goes wherever within the allowance the readings are explained best. A
    pass count that no such bench can show here is no rival.

    Which benches are drawn is chance, and so is whether a climb finds the narrow place where a
    rival explains everything. ``found_before`` are the fits (D,) of an earlier weighing: a rival
    that was found once is not lost again before the readings have spoken against it.
    """
    model, data = belief.model, belief.data
    prior = model.prior.allowing(ALLOWANCE)

    def climbed(z: FloatArray, shown: IntArray, steps: int, *, many: bool = False) -> Fit:
        behind = (shown == passes, _FAR_BEHIND) if many else None
        return climb(model, prior, data, z, showing=(at, shown), steps=steps, behind=behind)

    z, shown = _starts(belief, prior, at, passes, rng, found_before)
    keep = _best_of_each(shown, score(model, prior, data, z), _STARTS)
    shown = shown[keep]
    many = len(keep) > _MANY
    fit = climbed(z[keep], shown, steps=3, many=many)
    keep = _best_of_each(shown, fit.log_posterior, _KEPT)
    z, height, shown = fit.z[keep], fit.log_posterior[keep], shown[keep]
    ours = height[shown == passes].max(initial=-np.inf)
    close = height > ours - _HOPELESS
    fit = climbed(z[close], shown[close], steps=12)
    z[close], height[close] = fit.z, fit.log_posterior

    order = _best_of_each(shown, height, 1)
    ours = height[shown == passes].max(initial=-np.inf)
    best = z[order[shown[order] == passes]][0] if np.any(shown == passes) else belief.best(1)[0]
    rivals = [
        Alternative(int(shown[k]), float(ours - height[k]), z[k])
        for k in order
        if shown[k] != passes
    ]
    return Weighing(passes, best, tuple(sorted(rivals, key=lambda rival: rival.log_odds)), many)


def _starts(
    belief: Belief,
    prior: Prior,
    at: Setting,
    passes: int,
    rng: np.random.Generator,
    found_before: Sequence[FloatArray],
) -> tuple[FloatArray, IntArray]:
    """Benches to climb from (K, D), and what each shows at the setting (K,)."""
    model = belief.model
    drawn = prior.draw(_DRAWN, rng)
    drawn_shows = model.predict(drawn, (at,)).passes[:, 0]
    favourites = belief.best(_STARTS)
    around = at.spacing_m + np.linspace(-4e-3, 4e-3, 81)
    nearby = model.predict(favourites, [at.at_spacing(float(d)) for d in around])
    clean = nearby.passes[nearby.purity > 0.9]

    members = belief.best(len(belief.z))
    member_shows = model.predict(members, (at,)).passes[:, 0]
    starts = [members[member_shows == passes][-_STARTS:]]
    for count in np.unique(np.concatenate([drawn_shows, clean])):
        if count == 0:
            continue
        starts += [
            members[member_shows == count][-2:],
            _shifted_onto(count, prior, favourites, nearby, around, at),
            drawn[drawn_shows == count][:_LIKE_IT],
        ]
    z = np.concatenate([*starts, *(fit[None] for fit in found_before)])
    shown = model.predict(z, (at,)).passes[:, 0]
    return z[shown > 0], shown[shown > 0]


def _best_of_each(shown: IntArray, height: FloatArray, count: int) -> IntArray:
    """Places of the ``count`` highest of each pass count."""
    return np.concatenate(
        [
            np.flatnonzero(shown == each)[np.argsort(-height[shown == each])[:count]]
            for each in np.unique(shown)
        ]
    )


def _shifted_onto(
    rival: int,
    prior: Prior,
    z: FloatArray,
    nearby: Prediction,
    around: FloatArray,
    at: Setting,
) -> FloatArray:
    """The benches ``z`` (N, D) with their spacing offset shifted so that ``at`` falls on the rival:
    (M, D), of those that have the rival ``around``; (0, D) where none has, or where the bench file
    knows the spacing exactly.
    """
    offset = prior.names.index(_OFFSET) if _OFFSET in prior.names else -1
    tolerance = prior.tolerance[offset] if offset >= 0 else 0.0
    shifted = []
    for bench, passes in zip(z, nearby.passes, strict=True):
        there = around[passes == rival]
        if there.size and tolerance > 0.0:
            centre = there[np.argmin(np.abs(there - np.median(there)))]
            moved = bench.copy()
            moved[offset] += (centre - at.spacing_m) / tolerance
            shifted.append(moved)
    return np.array(shifted) if shifted else np.empty((0, z.shape[1]))


def strained_fit(belief: Belief, rng: np.random.Generator) -> list[tuple[str, str]]:
    """Unknowns that the readings pull out of their tolerance: name, and how far in words.

    Every tolerance beyond the bench file costs the best fit the same, whichever unknown it is of.
    So it takes few of them, and as little of each as the readings ask for. Members have gone as far
    as the file lets them, and where a bench is really elsewhere no slope may lead there; so benches
    drawn from :data:`ALLOWANCE` tolerances climb with the best of them.
    """
    model, data = belief.model, belief.data
    for tail in _DOUBTS:
        prior = model.prior.doubting(tail)
        drawn = prior.allowing(ALLOWANCE).draw(_DRAWN, rng)
        likely = np.argsort(score(model, prior, data, drawn))[-_LIKELY:]
        starts = np.concatenate([belief.best(_STARTS), drawn[likely]])
        fit = climb(model, prior, data, starts, steps=_PATIENTLY)
        z = fit.z[int(np.argmax(fit.log_posterior))]
        furthest = np.argsort(-np.abs(z))[:_NAMED]
        outside = [place for place in furthest if abs(z[place]) > _OUTSIDE]
        if outside:
            return [
                (prior.unknowns[place].words, f"{abs(z[place]):.2f} times its tolerance")
                for place in outside
            ]
    return []

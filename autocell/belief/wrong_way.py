"""Whether the readings fit a bench of which one axis goes the other way.

Sent and read back agree where an axis is mounted or counted the wrong way round; only the light
contradicts. A belief that is held within the bench file then pulls whatever unknown comes nearest,
which names the wrong culprit.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from autocell.belief.alternatives import ALLOWANCE
from autocell.belief.best_fit import climb, score
from autocell.belief.likelihood import MergedReadings
from autocell.belief.population import Belief
from autocell.setting import Setting, coordinates_of

_DRAWN, _STARTS, _STEPS = 1500, 6, 12
"""Benches drawn, how many of them climb, and how many steps at most."""

_PATIENTLY = 10
"""How many times as many, and as far, when the bench as it is gets another chance."""

_CONVINCED = 12.0
"""Log units by which the bench with the axis turned round has to explain the readings better."""


@dataclass(frozen=True)
class WrongWay:
    """An axis, and how much better (log units) the readings are explained when it goes the other
    way."""

    axis: str
    log_odds: float


def goes_the_wrong_way(belief: Belief, rng: np.random.Generator) -> WrongWay | None:
    """The axis that the readings fit far better turned round; None where there is no such one.

    An axis is turned about where it stood at the first reading: there the bench was as it is.
    Before one is named the bench as it is gets a longer search: whether a few climbs find
    one that lies outside its file is chance.
    """
    data = belief.data
    if len(data.settings) < 2:
        return None
    as_it_is = _best_fit(belief, data, rng)
    turned = [
        WrongWay(name, _best_fit(belief, changed, rng) - as_it_is)
        for name, changed in _turned_round(belief, data).items()
    ]
    best = max(turned, key=lambda found: found.log_odds, default=None)
    if best is None or best.log_odds <= _CONVINCED:
        return None
    gained = _best_fit(belief, data, rng, _PATIENTLY) - as_it_is
    best = replace(best, log_odds=best.log_odds - max(gained, 0.0))
    return best if best.log_odds > _CONVINCED else None


def _turned_round(belief: Belief, data: MergedReadings) -> dict[str, MergedReadings]:
    """The readings at the settings where they were taken if an axis goes the other way, by the
    axis; only axes that have moved."""
    bench = belief.model.bench
    places = coordinates_of(data.settings)
    went = (places - places[0]) @ np.linalg.pinv(bench.effects).T
    found = {}
    for k, (name, axis) in enumerate(bench.axes.items()):
        if np.ptp(went[:, k]) > axis.repeatability:
            there = places - 2.0 * went[:, k, None] * np.asarray(axis.effect)
            settings = tuple(Setting.from_array(place) for place in there)
            found[name] = replace(data, settings=settings)
    return found


def _best_fit(
    belief: Belief, data: MergedReadings, rng: np.random.Generator, times: int = 1
) -> float:
    """Log posterior of the bench within the allowance that explains the readings best, by so many
    ``times`` the usual search."""
    model = belief.model
    prior = model.prior.allowing(ALLOWANCE)
    z = np.concatenate([prior.draw(times * _DRAWN, rng), belief.best(times * _STARTS)])
    z = z[np.argsort(-score(model, prior, data, z))[: times * _STARTS]]
    return float(climb(model, prior, data, z, steps=times * _STEPS).log_posterior.max())

"""The Markov chain that spreads the members of a belief and leaves what they stand for as it is.

All members walk at once. What is proposed to a member follows from where the others are, so that
proposals take the posterior's own shape:

- *crossed*: by the difference of two other members (differential evolution: ter Braak, Stat.
  Comput. 16, 239 (2006), from memory), which also leads from mode to mode;
- *wandered*: in all unknowns at once, by the covariance linearised at one member;
- *slid*: far, with one unknown in the lead and the others as they usually go with it.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from autocell.belief.likelihood import MergedReadings
from autocell.belief.model import BenchModel
from autocell.belief.rows import times
from autocell.belief.unknowns import FloatArray

Target = Callable[[FloatArray], FloatArray]
"""What each reading makes of predicted powers (M, S), log units (M, S), none of them above zero."""

_STRIDES = np.array([0.15, 0.35, 0.6])
"""Standard deviations of the posterior that a member wanders; 2.38/√15 = 0.61 is about the best
for a Gaussian of 15 unknowns (Roberts, Gelman & Gilks, Ann. Appl. Probab. 7, 110 (1997), [mem])."""

_SLIDE = 2.2
"""Standard deviations that a member slides: about the best for one unknown (the same source)."""

_FLAT_PRECISION = 3.0
"""One over the variance of a flat prior from −1 to 1."""

_CROSSOVER = np.array([0.25, 0.5, 1.0])
"""Shares of the unknowns that one proposal changes."""

_FIRST, _MANY = 2, 5
"""Readings that a proposal is asked first, where there are so many in all."""


class Chain:
    """Members ``z`` (M, D) with the powers ``predicted`` (M, S) for them, both changed in place."""

    def __init__(
        self,
        model: BenchModel,
        data: MergedReadings,
        target: Target,
        z: FloatArray,
        predicted: FloatArray,
        rng: np.random.Generator,
    ) -> None:
        self.z = z
        self.predicted = predicted
        self._model = model
        self._data = data
        self._target = target
        self._rng = rng
        self._order: NDArray[np.int64] | None = None
        # of the members: what the readings make of them, and what the prior does, each (M,)
        self._fit = target(predicted).sum(axis=1)
        self._prior = model.prior.log_density(z)

    def spread(self, sweeps: int) -> None:
        """In each sweep cross the members with each other, then let each wander on its own."""
        shape = self._shape_of_posterior()
        for _ in range(sweeps):
            self._cross(lambda z: self._wandered(z, shape))

    def slide(self, sweeps: int) -> None:
        """In each sweep cross the members with each other, then let each slide twice: as the
        members lie, and as they should lie by the readings, were they all in one place.

        It takes members that are spread already, and far quicker to where chance has mixed them.
        """
        shape = self._shape_of_posterior()
        ways = [
            _by_unknown(np.cov(self.z, rowvar=False).reshape(shape.shape)),
            _by_unknown(shape @ shape.T),
        ]
        for _ in range(sweeps):
            self._cross(lambda z: self._slid(z, ways[0]))
            self._step(self._slid(self.z, ways[1]))

    def _cross(self, meanwhile: Callable[[FloatArray], FloatArray]) -> None:
        """Cross one half of the members with the other, then the other with the one; each half is
        proposed something else ``meanwhile``, where nothing follows from the crossing half. So
        all members are asked about together, and it is as if one half had gone first."""
        half = len(self.z) // 2
        one, other = slice(half), slice(half, None)
        self._step(
            np.concatenate([self._crossed(self.z[one], self.z[other]), meanwhile(self.z[other])])
        )
        self._step(
            np.concatenate([meanwhile(self.z[one]), self._crossed(self.z[other], self.z[one])])
        )

    def _crossed(self, z: FloatArray, pool: FloatArray) -> FloatArray:
        """Proposals that differ from ``z`` as two members of ``pool`` differ from each other."""
        first = self._rng.integers(len(pool), size=len(z))
        second = (first + self._rng.integers(1, len(pool), size=len(z))) % len(pool)
        share = self._rng.choice(_CROSSOVER, size=(len(z), 1))
        changed = self._rng.random(z.shape) < share
        active = np.maximum(changed.sum(axis=1, keepdims=True), 1)
        whole = self._rng.random((len(z), 1)) < 0.1  # now and then from mode to mode
        leap = np.where(whole, 1.0, 2.38 / np.sqrt(2.0 * active))
        jitter = self._rng.normal(0.0, 1e-3, z.shape)
        return np.asarray(z + changed * (leap * (pool[first] - pool[second]) + jitter))

    def _wandered(self, z: FloatArray, shape: FloatArray) -> FloatArray:
        """Proposals around ``z`` with the local shape of the posterior."""
        stride = self._rng.choice(_STRIDES, size=(len(z), 1))
        return np.asarray(z + stride * times(self._rng.normal(size=z.shape), shape.T))

    def _slid(self, z: FloatArray, directions: FloatArray) -> FloatArray:
        """Proposals from ``z`` along columns of ``directions`` (D, D), one drawn for each."""
        leader = self._rng.integers(directions.shape[1], size=len(z))
        length = _SLIDE * self._rng.normal(size=(len(z), 1))
        return np.asarray(z + length * directions[:, leader].T)

    def _shape_of_posterior(self) -> FloatArray:
        """Square root (D, D) of the posterior's covariance, linearised at a middling member.

        The flat prior counts as a Gaussian of the same variance.
        """
        data, prior = self._data, self._model.prior
        density = data.log_likelihood(self.predicted) + self._prior
        middling = self.z[np.argsort(density)[len(self.z) // 2]]
        slope = self._model.slopes(middling[None], data.settings)[1][0]
        slope /= data.sigma_w[:, None]
        precision = slope.T @ slope + _FLAT_PRECISION * np.eye(len(middling))
        if prior.memory is not None:
            precision += prior.memory.precision
        return np.asarray(np.linalg.cholesky(np.linalg.inv(precision)))

    def _step(self, proposal: FloatArray) -> None:
        """Accept or refuse one proposal for each member (Metropolis).

        No reading adds to a likelihood. So a proposal that the prior alone refuses is not traced at
        all, and one that the readings asked first refuse is not traced at the others: the
        chain is the same as if it had been.
        """
        settings = self._data.settings
        chance = np.log(self._rng.random(len(proposal)))
        prior = self._model.prior.log_density(proposal)
        wanted = chance + self._fit + self._prior - prior
        left = np.flatnonzero(wanted < 0.0)
        proposed = np.zeros(self.predicted.shape)
        asked = np.zeros(len(settings), dtype=bool)
        for turn in self._turns():
            if left.size == 0:
                return
            seen = self._model.predict(proposal[left], [settings[place] for place in turn])
            proposed[np.ix_(left, turn)] = seen.power_w
            asked[turn] = True
            terms = self._target(proposed[left])
            if self._order is None:
                self._order = np.argsort(terms.sum(axis=0))
            fit = terms[:, asked].sum(axis=1)
            taken = wanted[left] < fit
            left, fit = left[taken], fit[taken]
        self.z[left], self.predicted[left] = proposal[left], proposed[left]
        self._fit[left], self._prior[left] = fit, prior[left]

    def _turns(self) -> list[NDArray[np.int64]]:
        """Readings to ask in turn: those first that have refused most, once that is known."""
        everything = np.arange(len(self._data.settings))
        if self._order is None or len(everything) < _MANY:
            return [everything]
        return [self._order[:_FIRST], self._order[_FIRST:]]


def _by_unknown(covariance: FloatArray) -> FloatArray:
    """What a standard deviation of each unknown takes with it, in columns (D, D)."""
    deviation = np.sqrt(np.diag(covariance))
    return covariance / np.where(deviation > 0.0, deviation, np.inf)

"""The belief: a population of model benches, reshaped by every reading.

A reading that says much is taken in by degrees (tempering): the likelihood moves from that of the
old readings to that of all of them in steps that never leave the population thinned to a few
lucky members, and after each step a Markov chain that leaves the posterior as it is spreads the
members again. Its proposals are differences of other members (differential evolution: ter Braak,
Stat. Comput. 16, 239 (2006), from memory), so that they take the posterior's own shape and cross
between its modes.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from autocell.belief.likelihood import Evidence
from autocell.belief.model import BenchModel, Prediction
from autocell.belief.unknowns import NAMES, UNKNOWNS, FloatArray
from autocell.reading import Reading
from autocell.setting import Setting

_EFFECTIVE = 0.5
"""Share of the members that must stay effective in one step of tempering."""

_SURPRISE = 3.5
"""Standard uncertainties by which the best tenth may miss a reading before the belief widens."""

_STRAINED = 1.1
"""Tolerances at which the median of the members counts as pulled out of the bench file's range."""

_CROSSOVER = np.array([0.25, 0.5, 1.0])
"""Shares of the unknowns that one proposal changes."""


class Belief:
    """What is known of one bench. ``z`` (members, D) are equally likely model benches."""

    def __init__(
        self,
        model: BenchModel,
        rng: np.random.Generator,
        *,
        members: int = 800,
        pioneers: int = 4000,
        sweeps: int = 3,
    ) -> None:
        self.model = model
        self.readings: list[Reading] = []
        self.surprises = 0
        self._rng = rng
        self._members = members
        self._pioneers = pioneers
        self._sweeps = sweeps
        self._model_error = 1.0
        self._begin()

    def _begin(self) -> None:
        self.z = self.model.prior.draw(self._pioneers, self._rng)
        self._predicted = np.empty((self._pioneers, 0))
        self._absorbed = Evidence.of(())

    @property
    def evidence(self) -> Evidence:
        """All readings so far, merged by setting."""
        return Evidence.of(self.readings, model_error=self._model_error)

    def predict(self, settings: Sequence[Setting], most: int | None = None) -> Prediction:
        """What the members (at most ``most`` of them) would show at each setting."""
        return self.model.predict(self.z[:most], settings)

    def update(self, reading: Reading) -> None:
        """Take a reading in.

        When even the best members miss a reading, the members may have lost the right benches
        too early: the belief starts over from the prior with all readings. If that does not
        help either, it is wrong somewhere, and is widened (a larger model error) instead of being
        forced to fit; ``surprises`` counts how often.
        """
        self.readings.append(reading)
        self._absorb()
        if len(self.readings) > 2 and self.misfit() > _SURPRISE:
            self._start_over()
            if self.misfit() > _SURPRISE:
                self.surprises += 1
                self._model_error = min(4.0, 1.5 * self._model_error)
                self._start_over()

    def _start_over(self) -> None:
        self._begin()
        self._absorb()

    @property
    def log_posterior(self) -> FloatArray:
        """Log posterior density of the members (M,), up to a constant."""
        likelihood = self._absorbed.log_likelihood(self._predicted)
        return np.asarray(likelihood + self.model.prior.log_density(self.z))

    def settle(self, sweeps: int) -> None:
        """Spread the members some more, for numbers that are read off their spread."""
        evidence, usual = self._absorbed, self._sweeps
        self._sweeps = sweeps
        self._spread(evidence.settings, evidence.log_likelihood)
        self._sweeps = usual

    def best(self, count: int) -> FloatArray:
        """The ``count`` members with the highest posterior density, (count, D)."""
        return np.asarray(self.z[np.argsort(self.log_posterior)[-count:]])

    def strained(self) -> list[tuple[str, str]]:
        """Unknowns that the readings pull out of their tolerance: name, and how far in words."""
        pulled = np.median(self.z, axis=0)
        order = np.argsort(-np.abs(pulled))
        return [
            (NAMES[UNKNOWNS[index]], f"{abs(pulled[index]):.2f} times its tolerance")
            for index in order
            if abs(pulled[index]) > _STRAINED
        ]

    def misfit(self) -> float:
        """Largest deviation, in standard uncertainties, of the best tenth from any reading."""
        evidence = self._absorbed
        goodness = evidence.log_likelihood(self._predicted)
        best = np.argsort(goodness)[-max(1, len(self.z) // 10) :]
        deviation = np.abs(self._predicted[best] - evidence.power_w) / evidence.sigma_w
        return float(np.median(deviation, axis=0).max(initial=0.0))

    def _absorb(self) -> None:
        """Move the population from the readings it has absorbed to all of them."""
        old, new = self._absorbed, self.evidence
        known = len(old.settings)
        if known < len(new.settings):
            added = self.model.predict(self.z, new.settings[known:]).power_w
            self._predicted = np.concatenate([self._predicted, added], axis=1)

        degree = 0.0
        while degree < 1.0:
            gain = new.log_likelihood(self._predicted) - old.log_likelihood(
                self._predicted[:, :known]
            )
            degree, chosen = self._thin(gain, degree)
            self.z, self._predicted = self.z[chosen], self._predicted[chosen]

            def target(predicted: FloatArray, degree: float = degree) -> FloatArray:
                before = old.log_likelihood(predicted[:, :known])
                return (1.0 - degree) * before + degree * new.log_likelihood(predicted)

            self._spread(new.settings, target)
        self._absorbed = new

    def _thin(self, gain: FloatArray, degree: float) -> tuple[float, NDArray[np.int64]]:
        """The largest next degree that keeps enough members effective, and who survives it."""

        def weights(step: float) -> FloatArray:
            weight = np.exp(step * (gain - gain.max()))
            return np.asarray(weight / weight.sum())

        def enough(step: float) -> bool:
            return bool(1.0 / np.sum(weights(step) ** 2) >= _EFFECTIVE * self._members)

        step = 1.0 - degree
        if not enough(step):
            low, high = 0.0, step
            for _ in range(20):
                middle = 0.5 * (low + high)
                low, high = (middle, high) if enough(middle) else (low, middle)
            step = max(low, 1e-4)
        cumulative = np.cumsum(weights(step))
        points = (self._rng.random() + np.arange(self._members)) / self._members
        chosen = np.minimum(np.searchsorted(cumulative, points), len(gain) - 1)
        self._rng.shuffle(chosen)
        return min(1.0, degree + step), chosen

    def _spread(
        self, settings: Sequence[Setting], target: Callable[[FloatArray], FloatArray]
    ) -> None:
        """Move every member by a few steps of a Markov chain with this log likelihood."""
        prior = self.model.prior
        half = len(self.z) // 2
        halves = (slice(half), slice(half, None))
        for _sweep in range(self._sweeps):
            for movers, others in (halves, halves[::-1]):
                z, predicted = self.z[movers], self._predicted[movers]
                pool = self.z[others]
                first = self._rng.integers(len(pool), size=len(z))
                second = (first + self._rng.integers(1, len(pool), size=len(z))) % len(pool)
                share = self._rng.choice(_CROSSOVER, size=(len(z), 1))
                changed = self._rng.random(z.shape) < share
                active = np.maximum(changed.sum(axis=1, keepdims=True), 1)
                whole = self._rng.random((len(z), 1)) < 0.1  # now and then from mode to mode
                leap = np.where(whole, 1.0, 2.38 / np.sqrt(2.0 * active))
                jitter = self._rng.normal(0.0, 1e-3, z.shape)
                proposal = z + changed * (leap * (pool[first] - pool[second]) + jitter)
                proposed = self.model.predict(proposal, settings).power_w
                gain = (
                    target(proposed)
                    + prior.log_density(proposal)
                    - target(predicted)
                    - prior.log_density(z)
                )
                accepted = np.log(self._rng.random(len(z))) < gain
                self.z[movers][accepted] = proposal[accepted]
                self._predicted[movers][accepted] = proposed[accepted]

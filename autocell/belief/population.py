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
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from autocell.belief.likelihood import Evidence
from autocell.belief.misplaced import misplaced_w
from autocell.belief.model import BenchModel, Prediction
from autocell.belief.unknowns import FloatArray
from autocell.reading import Reading
from autocell.setting import Setting

_EFFECTIVE = 0.5
"""Share of the members that must stay effective in one step of tempering."""

_SURPRISE = 3.5
"""Standard uncertainties by which the best tenth may miss a reading before the belief widens."""

_STRAINED = 1.1
"""Tolerances at which the median of the members counts as pulled out of the bench file's range."""

_MEMBERS, _MOST_MEMBERS, _PIONEERS = 800, 2000, 5
"""Members of a population, at most, and how many times as many take in the first reading."""

_ON_IT, _ASKED = 320, 1000
"""Members that should have the wanted plateau where it is sought, before anything was read there;
benches asked how many of them have."""

_SETTLED, _SETTLING_SWEEPS, _MOST_SETTLING = 300, 30, 10
"""Members when the belief settles, sweeps at a time, and how many times at most: a chain needs
several steps for each unknown, and more the longer its posterior is."""

_FORGOTTEN = 0.8
"""How far the members have to forget where they stood before what is read off them counts."""

_STRIDES = np.array([0.15, 0.35, 0.6])
"""Standard deviations of the posterior that a member wanders; 2.38/√15 = 0.61 is about the best
for a Gaussian of 15 unknowns (Roberts, Gelman & Gilks, Ann. Appl. Probab. 7, 110 (1997), [mem])."""

_FLAT_PRECISION = 3.0
"""One over the variance of a flat prior from −1 to 1."""

_CROSSOVER = np.array([0.25, 0.5, 1.0])
"""Shares of the unknowns that one proposal changes."""

Target = Callable[[FloatArray], FloatArray]
"""Log likelihood (M,) of predicted powers (M, S)."""


def members_for(model: BenchModel, at: Setting, passes: int) -> int:
    """How many members a belief needs that is to find ``passes`` passes at a setting.

    With wide tolerances few benches have the pattern where the bench file does. A population that
    is as large as ever then loses the right ones between the readings, and is sure of the others.
    """
    benches = model.prior.draw(_ASKED, np.random.default_rng(0))
    share = float(np.mean(model.predict(benches, (at,)).passes == passes))
    return int(np.clip(_ON_IT / share, _MEMBERS, _MOST_MEMBERS)) if share > 0.0 else _MEMBERS


def forgotten(before: FloatArray, now: FloatArray) -> float:
    """How far members (M, D) have forgotten where they were: one less the correlation of then and
    now, the median over the unknowns. 0 where they stand still, about 1 where chance has mixed
    them."""
    then, here = before - before.mean(axis=0), now - now.mean(axis=0)
    size = np.sqrt(np.sum(then**2, axis=0) * np.sum(here**2, axis=0))
    known = size > 0.0
    if not np.any(known):
        return 1.0
    return float(np.median(1.0 - np.sum(then * here, axis=0)[known] / size[known]))


class Belief:
    """What is known of one bench. ``z`` (members, D) are equally likely model benches."""

    def __init__(
        self,
        model: BenchModel,
        rng: np.random.Generator,
        *,
        members: int = _MEMBERS,
        pioneers: int | None = None,
        sweeps: int = 2,
    ) -> None:
        self.model = model
        self.readings: list[Reading] = []
        self._doubted: list[Reading] = []
        self.surprises = 0
        self._forgiven = 0
        self._rng = rng
        self._members = members
        self._pioneers = _PIONEERS * members if pioneers is None else pioneers
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
        return Evidence.of(self._doubted, model_error=self._model_error)

    def predict(self, settings: Sequence[Setting], most: int | None = None) -> Prediction:
        """What the members (at most ``most`` of them) would show at each setting."""
        return self.model.predict(self.z[:most], settings)

    def update(self, reading: Reading) -> None:
        """Take a reading in.

        When even the best members miss a reading, the members may have lost the right benches
        too early, or an earlier run may remember a bench that was changed since: the belief starts
        over from the bench file with all readings. If that does not
        help either, it is wrong somewhere, and is widened (a larger model error) instead of being
        forced to fit; ``surprises`` counts how often.
        """
        self.readings.append(reading)
        self._doubted.append(self._with_doubt(reading))
        self._absorb()
        if len(self.readings) > 2 and self._missed() > self._forgiven:
            self._start_over()
            if self._missed() > self._forgiven:
                self.surprises += 1
                self._model_error = min(4.0, 1.5 * self._model_error)
                self._start_over()
                # one bad reading stays bad; only another one is another surprise
                self._forgiven = self._missed()

    def _with_doubt(self, reading: Reading) -> Reading:
        """A reading as uncertain as it is of what stood where it was believed to."""
        if not any(u for _, u in reading.position_u):
            return reading
        extra_w = misplaced_w(self.model, self.z, reading)
        return replace(reading, uncertainty_w=float(np.hypot(reading.uncertainty_w, extra_w)))

    @property
    def remembers(self) -> bool:
        """Whether it still rests on what an earlier run learned."""
        return self.model.prior.memory is not None

    def forget(self) -> None:
        """Rest on the bench file and the readings of this run alone from now on."""
        if self.remembers:
            self._start_over()

    def _start_over(self) -> None:
        self.model.prior = self.model.prior.forgetting()
        self._begin()
        self._absorb()

    @property
    def log_posterior(self) -> FloatArray:
        """Log posterior density of the members (M,), up to a constant."""
        likelihood = self._absorbed.log_likelihood(self._predicted)
        return np.asarray(likelihood + self.model.prior.log_density(self.z))

    def settle(self) -> None:
        """Spread fewer members much longer, for numbers that are read off their spread: until they
        have forgotten where the readings on the way had left them."""
        some = self._rng.permutation(len(self.z))[:_SETTLED]
        self.z, self._predicted = self.z[some], self._predicted[some]
        start = self.z.copy()
        for _ in range(_MOST_SETTLING):
            self._spread(self._absorbed, self._absorbed.log_likelihood, _SETTLING_SWEEPS)
            if forgotten(start, self.z) >= _FORGOTTEN:
                break

    def best(self, count: int, *, showing: tuple[Setting, int] | None = None) -> FloatArray:
        """The (at most) ``count`` members with the highest posterior density, (count, D).

        With ``showing`` only those that have that number of passes at that setting.
        """
        order = np.argsort(self.log_posterior)
        if showing is not None:
            at, passes = showing
            order = order[self.predict((at,)).passes[order, 0] == passes]
        return np.asarray(self.z[order[-count:]])

    def strained(self) -> list[tuple[str, str]]:
        """Unknowns that the readings pull out of their tolerance: name, and how far in words."""
        pulled = np.median(self.z, axis=0)
        order = np.argsort(-np.abs(pulled))
        unknowns = self.model.prior.unknowns
        return [
            (unknowns[index].words, f"{abs(pulled[index]):.2f} times its tolerance")
            for index in order
            if abs(pulled[index]) > _STRAINED
        ]

    def misfits(self) -> FloatArray:
        """Deviation (S,), in standard uncertainties, of the best tenth from each merged reading."""
        evidence = self._absorbed
        goodness = evidence.log_likelihood(self._predicted)
        best = np.argsort(goodness)[-max(1, len(self.z) // 10) :]
        deviation = np.abs(self._predicted[best] - evidence.power_w) / evidence.sigma_w
        return np.asarray(np.median(deviation, axis=0))

    def misfit(self) -> float:
        """The largest of :meth:`misfits`."""
        return float(self.misfits().max(initial=0.0))

    def _missed(self) -> int:
        """How many readings even the best tenth miss."""
        return int(np.count_nonzero(self.misfits() > _SURPRISE))

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

            self._spread(new, target, self._sweeps)
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

    def _spread(self, evidence: Evidence, target: Target, sweeps: int) -> None:
        """Move every member by a Markov chain that leaves this log likelihood as it is.

        Each sweep crosses the members with each other, then lets each wander on its own.
        """
        shape = self._shape_of_posterior(evidence)
        half = len(self.z) // 2
        halves = (slice(half), slice(half, None))
        for _ in range(sweeps):
            for movers, others in (halves, halves[::-1]):
                self._step(movers, self._crossed(self.z[movers], self.z[others]), evidence, target)
            everyone = slice(None)
            self._step(everyone, self._wandered(self.z, shape), evidence, target)

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
        return np.asarray(z + stride * (self._rng.normal(size=z.shape) @ shape.T))

    def _shape_of_posterior(self, evidence: Evidence) -> FloatArray:
        """Square root (D, D) of the posterior's covariance, linearised at a middling member.

        The flat prior counts as a Gaussian of the same variance.
        """
        density = evidence.log_likelihood(self._predicted) + self.model.prior.log_density(self.z)
        middling = self.z[np.argsort(density)[len(self.z) // 2]]
        slope = self.model.slopes(middling[None], evidence.settings)[1][0]
        slope /= evidence.sigma_w[:, None]
        precision = slope.T @ slope + _FLAT_PRECISION * np.eye(len(middling))
        if self.model.prior.memory is not None:
            precision += self.model.prior.memory.precision
        return np.asarray(np.linalg.cholesky(np.linalg.inv(precision)))

    def _step(
        self, movers: slice, proposal: FloatArray, evidence: Evidence, target: Target
    ) -> None:
        """Accept or refuse one proposal for each mover (Metropolis).

        No likelihood is above zero: a proposal that the prior alone refuses even then is not
        traced.
        """
        prior = self.model.prior
        z, predicted = self.z[movers], self._predicted[movers]
        wanted = (
            np.log(self._rng.random(len(z)))
            + target(predicted)
            + prior.log_density(z)
            - prior.log_density(proposal)
        )
        hopeful = np.flatnonzero(wanted < 0.0)
        if hopeful.size == 0:
            return
        proposed = self.model.predict(proposal[hopeful], evidence.settings).power_w
        accepted = wanted[hopeful] < target(proposed)
        chosen = hopeful[accepted]
        z[chosen], predicted[chosen] = proposal[chosen], proposed[accepted]

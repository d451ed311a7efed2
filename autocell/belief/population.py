"""The belief: a population of model benches, reshaped by every reading.

A reading that says much is taken in by degrees (tempering): the likelihood moves from that of the
old readings to that of all of them in steps that never leave the population thinned to a few
lucky members, and after each step a Markov chain spreads the members again.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from autocell.belief.chain import Chain, Target
from autocell.belief.likelihood import MergedReadings
from autocell.belief.misplaced import misplaced_w
from autocell.belief.model import BenchModel, Prediction
from autocell.belief.unknowns import FloatArray
from autocell.reading import Reading
from autocell.setting import Setting

_EFFECTIVE = 0.5
"""Share of the members that must stay effective in one step of tempering."""

_SURPRISE = 3.5
"""Standard uncertainties by which the best tenth may miss a reading before the belief widens."""

_UNDISTURBED = 0.5
"""Share of the model error that a bench needs on which nothing is wrong."""

_STRAINED = 1.05
"""Tolerances at which the median of the members counts as pulled out of the bench file's range."""

_MEMBERS, _MOST_MEMBERS, _PIONEERS = 1600, 12000, 10
"""Members of a population, at most, and how many times as many take in the first reading when all
that is known is the bench file."""

_LED = 2
"""Members are so many times fewer while a memory leads: no claim is surer than 0.9 then."""

_FEWER, _RECKONING = 4, 2
"""Of the pioneers, so many times fewer when a belief starts over, and when it takes in at once what
was only noted: each is asked about every reading then. Fewer than half leave noted readings a
population that is a quarter too narrow."""

_DECIDED = 4000
"""Members of a larger population that are kept once the plateau is found."""

_ENOUGH, _ASKED = 0.4, 1000
"""Share of the benches with the wanted plateau where it is sought, before anything was read there,
at which so many members do; benches asked for it."""

_SETTLED, _SETTLING_SWEEPS, _MOST_SETTLING = 300, 10, 60
"""Members when the belief settles, sweeps at a time, and how many times at most: a chain needs
several steps for each unknown, and more the longer its posterior is. Three or four times do with
usual tolerances; with wide ones some beliefs had not forgotten after twenty, and were too sure of
the path length then."""

_FORGOTTEN = 0.7
"""How far the members have to forget where they stood before what is read off them counts."""


def members_for(model: BenchModel, at: Setting, passes: int) -> int:
    """How many members a belief needs that is to find ``passes`` passes at a setting.

    With wide tolerances few benches have the pattern where the bench file does. A population that
    is as large as ever then loses the right ones between the readings, and is sure of the others;
    it takes as many more as the cube of how few they are, by rehearsals of claims.
    What an earlier run learned is forgotten on the way, and does not count here.
    """
    benches = model.prior.forgetting().draw(_ASKED, np.random.default_rng(0))
    share = float(np.mean(model.predict(benches, (at,)).passes == passes))
    if share == 0.0:
        return _MEMBERS
    return int(np.clip(_MEMBERS * (_ENOUGH / share) ** 3, _MEMBERS, _MOST_MEMBERS))


def forgotten(before: FloatArray, now: FloatArray) -> float:
    """How far members have forgotten what they said of some numbers (M, K): one less the
    correlation of then and now, of the number that is remembered best. 0 where they stand still,
    about 1 where chance has mixed them."""
    then, here = before - before.mean(axis=0), now - now.mean(axis=0)
    size = np.sqrt(np.sum(then**2, axis=0) * np.sum(here**2, axis=0))
    known = size > 0.0
    if not np.any(known):
        return 1.0
    return float(np.min(1.0 - np.sum(then * here, axis=0)[known] / size[known]))


class Belief:
    """What is known of one bench. ``z`` (members, D) are equally likely model benches; the first
    ``left`` readings are not counted, see :meth:`leave_behind`."""

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
        self.left = 0
        self.surprises = 0
        self._forgiven = 0
        self._rng = rng
        self._members = members
        self._pioneers = _PIONEERS * members if pioneers is None else pioneers
        self._sweeps = sweeps
        self._model_error = 1.0
        self._caution = 1.0
        self._begin(self._wanted if self.remembers else self._pioneers)

    def _begin(self, count: int) -> None:
        self.z = self.model.prior.draw(count, self._rng)
        self._predicted = np.empty((count, 0))
        self._absorbed = MergedReadings.of(())

    @property
    def _wanted(self) -> int:
        """How many members it should have at present."""
        return self._members // _LED if self.remembers else self._members

    @property
    def data(self) -> MergedReadings:
        """All readings so far that are of this bench, merged by setting."""
        return self._merged(self._caution * self._model_error)

    def _merged(self, model_error: float) -> MergedReadings:
        return MergedReadings.of(self._doubted[self.left :], model_error=model_error)

    @contextmanager
    def candid(self) -> Iterator[None]:
        """Say within this block what is likely on a bench on which nothing is wrong.

        The usual model error is one that a proof has to outlive, fringes and slips with it; few
        benches need as much, and claims come true more often than they say. With half of it they
        come true as often.
        """
        self._caution = _UNDISTURBED
        self._absorb()
        try:
            yield
        finally:
            self._caution = 1.0
        self._absorb()
        self.decided()

    def decided(self) -> None:
        """Go on with fewer members, if there were many for finding the plateau."""
        if self._members > _DECIDED:
            self._members, self._pioneers = _DECIDED, min(self._pioneers, _PIONEERS * _DECIDED)
            self._pick(_DECIDED)

    def predict(self, settings: Sequence[Setting], most: int | None = None) -> Prediction:
        """What the members (at most ``most`` of them) would show at each setting."""
        return self.model.predict(self.z[:most], settings)

    def update(self, reading: Reading) -> None:
        """Take a reading in.

        When even the best members miss a reading, the members may have lost the right benches
        too early, or an earlier run may remember a bench that was changed since: the belief starts
        over from the bench file with all readings. If that does not help either, it is wrong
        somewhere, and is widened (a larger model error) instead of being forced to fit;
        ``surprises`` counts how often.
        """
        self.note(reading)
        self._absorb()
        if len(self.readings) > 2 and self._missed() > self._forgiven:
            self._start_over()
            self._widen_if_missed()

    def note(self, reading: Reading) -> None:
        """Have it counted from the next :meth:`reckon` on; until then the members only predict."""
        self.readings.append(reading)
        self._doubted.append(self._with_doubt(reading))

    def reckon(self) -> None:
        """Start over from the bench file, and take in all readings at once."""
        self._start_over(_RECKONING)
        self._widen_if_missed()

    def _widen_if_missed(self) -> None:
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

    def leave_behind(self, before: int) -> None:
        """Rest on reading number ``before`` and those after it: the ones until then are of a bench
        that has changed since, such as by a step of the laser."""
        self.left = before
        self._model_error, self._forgiven = 1.0, 0
        self._start_over()

    def _start_over(self, fewer: int = _FEWER) -> None:
        self.model.prior = self.model.prior.forgetting()
        self._begin(max(self._members, self._pioneers // fewer))
        self._absorb()

    @property
    def log_posterior(self) -> FloatArray:
        """Log posterior density of the members (M,), up to a constant."""
        likelihood = self._absorbed.log_likelihood(self._predicted)
        return np.asarray(likelihood + self.model.prior.log_density(self.z))

    def settle(self, at: Setting) -> None:
        """Spread fewer members much longer, for numbers that are read off their spread: until they
        have forgotten what they said of them at a setting when the readings had left them."""
        self._pick(_SETTLED)
        chain = self._chain(self._absorbed, self._absorbed.terms)
        said = self._said(at)
        for _ in range(_MOST_SETTLING):
            chain.slide(_SETTLING_SWEEPS)
            if forgotten(said, self._said(at)) >= _FORGOTTEN:
                break

    def _pick(self, count: int) -> None:
        """Go on with some of the members."""
        some = self._rng.permutation(len(self.z))[:count]
        self.z, self._predicted = self.z[some], self._predicted[some]

    def _said(self, at: Setting) -> FloatArray:
        """What each member says of a setting (M, 4): path, spacing, reflectivity, gain."""
        model = self.model
        return np.stack(
            [
                model.predict(self.z, (at,)).path_length_m[:, 0],
                model.spacing_m(self.z, at),
                model.reflectivity(self.z),
                model.gain_w(self.z),
            ],
            axis=1,
        )

    def _chain(self, data: MergedReadings, target: Target) -> Chain:
        return Chain(self.model, data, target, self.z, self._predicted, self._rng)

    def best(self, count: int) -> FloatArray:
        """The (at most) ``count`` members with the highest posterior density, (count, D), the best
        of them last."""
        return np.asarray(self.z[np.argsort(self.log_posterior)[-count:]])

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
        """Deviation (S,), in standard uncertainties with the usual model error, of the best tenth
        from each merged reading."""
        data = self._merged(self._model_error)
        goodness = self._absorbed.log_likelihood(self._predicted)
        best = np.argsort(goodness)[-max(1, len(self.z) // 10) :]
        deviation = np.abs(self._predicted[best] - data.power_w) / data.sigma_w
        return np.asarray(np.median(deviation, axis=0))

    def misfit(self, since: int = 0) -> float:
        """The largest of :meth:`misfits` at settings of reading number ``since`` and those after
        it."""
        places = self._absorbed.places(self.readings[since:])
        return float(self.misfits()[places].max(initial=0.0))

    def _missed(self) -> int:
        """How many readings even the best tenth miss."""
        return int(np.count_nonzero(self.misfits() > _SURPRISE))

    def _absorb(self) -> None:
        """Move the population from the readings it has absorbed to all of them."""
        old, new = self._absorbed, self.data
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
                terms = degree * new.terms(predicted)
                terms[:, :known] += (1.0 - degree) * old.terms(predicted[:, :known])
                return terms

            self._chain(new, target).spread(self._sweeps)
        self._absorbed = new

    def _along_the_staircase(self) -> NDArray[np.int64]:
        """Places of the members in the order of their spacing in radii of the mirrors.

        Survivors are picked at even distances along it, so that every pass count keeps its share of
        them to within a member or two. In the order of chance a pass count of one per cent dies
        out in some of the many steps, and the others are surer than they should be
        (resampling of ordered particles: Gerber, Chopin & Whiteley, Ann. Stat. 47, 2236 (2019),
        from memory).
        """
        at = self.readings[-1].setting if self.readings else self.model.bench.zero
        return np.argsort(self.model.spacing_m(self.z, at) * self.model.curvature_per_m(self.z))

    def _thin(self, gain: FloatArray, degree: float) -> tuple[float, NDArray[np.int64]]:
        """The largest next degree that keeps enough members effective, and who survives it."""

        def weights(step: float) -> FloatArray:
            weight = np.exp(step * (gain - gain.max()))
            return np.asarray(weight / weight.sum())

        def enough(step: float) -> bool:
            return bool(1.0 / np.sum(weights(step) ** 2) >= _EFFECTIVE * self._wanted)

        step = 1.0 - degree
        if not enough(step):
            low, high = 0.0, step
            for _ in range(20):
                middle = 0.5 * (low + high)
                low, high = (middle, high) if enough(middle) else (low, middle)
            step = max(low, 1e-4)
        order = self._along_the_staircase()
        weight = weights(step)[order]
        cumulative = np.cumsum(weight)
        count = int(max(self._wanted, 1.0 / np.sum(weight**2)))
        points = (self._rng.random() + np.arange(count)) / count
        chosen = order[np.minimum(np.searchsorted(cumulative, points), len(gain) - 1)]
        self._rng.shuffle(chosen)
        return min(1.0, degree + step), chosen

"""Get onto the wanted plateau: read where it decides most, until one spacing is all but sure."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from autocell.belief.next_reading import information, most_telling
from autocell.errors import Undecided
from autocell.procedures.tuning import Tuning
from autocell.setting import Setting

_LIKELY = 0.9
"""Probability at which the place is worth a reading of its own; the proof comes later."""

_THERE_M = 3e-4
"""A reading so close to the likeliest spacing was taken there."""

_MEMBERS = 200
_POINTS = 61
_MOST_READINGS = 30


def approach(tuning: Tuning, guess: Setting, reach_m: float) -> Setting:
    """Read until the belief puts the wanted pass count at one spacing, and has read there.

    ``guess`` is where the bench file has the plateau and ``reach_m`` how far from it the real one
    may be.

    Raises Undecided when the readings do not settle the question.
    """
    here = tuning.at(tuning.bench.setting.spacing_m)  # unless it stands there with another beam
    been_here = not tuning.belief.remembers and tuning.has_read_near([here])[0]
    if been_here and tuning.probability(here) >= _LIKELY:  # even by a belief that is not candid
        tuning.belief.decided()
        return here
    with tuning.belief.candid():
        return _approach(tuning, guess, reach_m)


def _approach(tuning: Tuning, guess: Setting, reach_m: float) -> Setting:
    stage = "approach"
    for _ in range(_MOST_READINGS):
        candidates, share = _where(tuning, guess, reach_m)
        target = candidates[_middle_of_best(share)]
        likely = tuning.probability(target) >= _LIKELY
        been_there = bool(tuning.has_read_near([target], _THERE_M)[0])
        if likely and been_there:
            return target
        if not likely:
            telling = _most_telling(tuning, candidates, target)
            if telling is not None:
                tuning.read_at(telling, stage, "reading where the model benches disagree")
                continue
            if been_there:
                return target
        tuning.read_at(target, stage, f"reading where {tuning.passes} passes are expected")
    raise Undecided(
        f"{_MOST_READINGS} readings did not show where the {tuning.passes}-pass plateau is"
    )


def _where(
    tuning: Tuning, guess: Setting, reach_m: float
) -> tuple[list[Setting], NDArray[np.float64]]:
    """Spacings worth a look, and the share of members with the wanted pass count at each.

    First all of the range the plateau may be in, then, closer, what the belief has left of it.
    """
    low, high = guess.spacing_m - reach_m, guess.spacing_m + reach_m
    for _ in range(2):
        candidates = tuning.settings(low, high, _POINTS)
        seen = tuning.belief.predict(candidates, most=_MEMBERS)
        share = np.mean(seen.passes == tuning.passes, axis=0)
        possible = np.flatnonzero(share > 0.01)
        if possible.size:
            low = candidates[possible[0]].spacing_m - 4e-4
            high = candidates[possible[-1]].spacing_m + 4e-4
    return candidates, share


def _most_telling(tuning: Tuning, candidates: list[Setting], target: Setting) -> Setting | None:
    """Where a reading tells most about which pass count the target spacing has."""
    power, sigma = tuning.predicted_power(candidates)
    answers = tuning.belief.predict((target,), most=len(power)).passes[:, 0]
    told = np.where(tuning.has_read_near(candidates), 0.0, information(power, sigma, answers))
    return most_telling(candidates, told, tuning.seconds)


def _middle_of_best(share: NDArray[np.float64]) -> int:
    """Index in the middle of the widest run of shares that are as good as the best."""
    good = np.flatnonzero(share >= share.max() - 0.02)
    runs = np.split(good, np.flatnonzero(np.diff(good) > 1) + 1)
    widest = max(runs, key=len)
    return int(widest[len(widest) // 2])

"""Get onto the wanted plateau: read where it decides most, until one spacing is all but sure."""

from __future__ import annotations

import numpy as np

from autocell.belief.next_reading import information, most_telling
from autocell.errors import BudgetError
from autocell.procedures.tuning import Tuning
from autocell.setting import Setting

_SURE = 0.97
_LIKELY = 0.85
_POINTS = 60
_MOST_READINGS = 40


def approach(tuning: Tuning, guess: Setting, reach_m: float) -> Setting:
    """Read until the belief puts the wanted pass count at one spacing, and has read there.

    ``guess`` is where the bench file has the plateau and ``reach_m`` how far from it the real one
    may be.

    Raises BudgetError when the readings do not settle the question.
    """
    stage = "approach"
    for _ in range(_MOST_READINGS):
        candidates, share = _where(tuning, guess, reach_m)
        target = candidates[_middle_of_best(share)]
        likely = tuning.probability(target)
        if likely >= _SURE and _has_read_near(tuning, target):
            return target
        if likely >= _LIKELY:
            tuning.read_at(target, stage, f"reading where {tuning.passes} passes are expected")
            continue
        power, sigma = tuning.predicted_power(candidates)
        answers = tuning.belief.predict((target,), most=len(power)).passes[:, 0]
        told = information(power, sigma, answers)
        chosen = most_telling(candidates, told, tuning.seconds)
        if chosen is None or _has_read_near(tuning, chosen, within_m=5e-6):
            chosen = target
        tuning.read_at(chosen, stage, "reading where the model benches disagree")
    raise BudgetError(
        f"{_MOST_READINGS} readings did not show where the {tuning.passes}-pass plateau is"
    )


def _where(tuning: Tuning, guess: Setting, reach_m: float) -> tuple[list[Setting], np.ndarray]:
    """Spacings worth a look, and the share of members with the wanted pass count at each."""
    plateau = tuning.plateau(guess, reach_m + 2e-3)
    low, high = plateau.low_m, plateau.high_m
    if plateau.share > 0.05:
        low_m = float(np.nanquantile(low, 0.02)) - 3e-4
        high_m = float(np.nanquantile(high, 0.98)) + 3e-4
    else:
        low_m, high_m = guess.spacing_m - reach_m, guess.spacing_m + reach_m
    candidates = tuning.settings(low_m, high_m, _POINTS)
    seen = tuning.belief.predict(candidates, most=300)
    return candidates, np.mean(seen.passes == tuning.passes, axis=0)


def _middle_of_best(share: np.ndarray) -> int:
    """Index in the middle of the widest run of shares that are as good as the best."""
    good = np.flatnonzero(share >= share.max() - 0.02)
    runs = np.split(good, np.flatnonzero(np.diff(good) > 1) + 1)
    widest = max(runs, key=len)
    return int(widest[len(widest) // 2])


def _has_read_near(tuning: Tuning, setting: Setting, within_m: float = 3e-4) -> bool:
    """Whether there is a reading with this input beam at about this spacing."""
    apart = [
        np.abs(setting.as_array() - reading.setting.as_array())
        for reading in tuning.belief.readings
    ]
    return any(bool(a[0] < within_m and np.all(a[1:] < 2e-5)) for a in apart)



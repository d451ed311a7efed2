"""Which reading to take next: the one expected to decide most per second it costs."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from autocell.belief.likelihood import MergedReadings
from autocell.belief.model import BenchModel
from autocell.belief.unknowns import FloatArray
from autocell.setting import Setting

Cost = Callable[[Setting], float]
"""Seconds that a reading at a setting takes: travel, settling, averaging."""


def expected_sigma(data: MergedReadings, power_w: FloatArray, reading_noise: float) -> FloatArray:
    """Standard uncertainty to expect of a new reading of ``power_w``, model error included."""
    largest = max(float(np.max(power_w, initial=0.0)), data.largest_w)
    return np.asarray(np.hypot(data.model_sigma(power_w, largest), reading_noise * largest))


def information(
    predicted_w: FloatArray, sigma_w: ArrayLike, answers: NDArray[np.int64]
) -> FloatArray:
    """Nats that a reading at each of S settings would tell about a question.

    The members' ``answers`` (M,) are what the question comes down to for each of them; they
    predict ``predicted_w`` (M, S). Each member in turn is taken as the truth, its prediction as
    the reading; what the others then say of the answer is compared with what they say now.
    """
    same = answers[:, None] == answers[None, :]
    now = np.log(np.mean(same, axis=1))
    told = np.empty(predicted_w.shape[1])
    for index in range(len(told)):
        apart = (predicted_w[:, index, None] - predicted_w[None, :, index]) / np.broadcast_to(
            sigma_w, predicted_w.shape
        )[:, index, None]
        # twice the variance: the reading would be off by its noise as well
        weight = np.exp(-0.25 * np.minimum(apart**2, 60.0))
        after = np.log(np.sum(weight * same, axis=1) / np.sum(weight, axis=1))
        told[index] = float(np.mean(after - now))
    return told


def most_telling(
    candidates: Sequence[Setting], told: FloatArray, cost: Cost, *, floor: float = 0.02
) -> Setting | None:
    """The candidate that tells most per second; None when none tells more than ``floor`` nats."""
    if len(candidates) == 0 or float(told.max()) < floor:
        return None
    rate = told / np.array([cost(candidate) for candidate in candidates])
    return candidates[int(np.argmax(np.where(told >= max(floor, 0.7 * told.max()), rate, -1.0)))]


def most_dividing(
    model: BenchModel,
    ours: FloatArray,
    rival: FloatArray,
    data: MergedReadings,
    candidates: Sequence[Setting],
    reading_noise: float,
) -> tuple[Setting, float]:
    """Where two fitted benches (D,) differ most, and by how many standard uncertainties."""
    predicted = model.predict(np.stack([ours, rival]), candidates).power_w
    apart = np.abs(predicted[0] - predicted[1]) / expected_sigma(
        data, predicted.max(axis=0), reading_noise
    )
    best = int(np.argmax(apart))
    return candidates[best], float(apart[best])

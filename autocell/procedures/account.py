"""What a finished run has to say in numbers: path length, throughput, margins, fitted model."""

from __future__ import annotations

import math

import numpy as np

from autocell.belief.plateau import Spread
from autocell.optics.trace import trace
from autocell.outcome import BudgetRow, PathLength, Spot, Staircase
from autocell.procedures.tuning import Tuning
from autocell.reading import Reading
from autocell.setting import Setting

_MEMBERS = 100
_COVERAGE = 0.9


def path_length(tuning: Tuning, at: Setting) -> PathLength:
    """Path from entrance to exit, given the pass count, with a GUM budget (JCGM 100:2008).

    Every pass crosses the same spacing, so that its error counts ``passes`` times over: fully
    correlated, not √passes. Spacing and geometry are correlated in the belief; the expanded
    uncertainty is from the spread of whole paths, and the rows show where it comes from.
    """
    members = tuning.belief.z
    seen = tuning.belief.predict((at,))
    ours = seen.passes[:, 0] == tuning.passes
    paths = seen.path_length_m[ours, 0]
    spacing = tuning.model.spacing_m(members[ours], at)
    rest = paths - tuning.passes * spacing
    stage = tuning.bench.description.axes["spacing"]
    repeat = stage.repeatability
    n = float(tuning.passes)
    rows = (
        BudgetRow(
            "spacing between the mirror vertices", float(np.mean(spacing)), "m",
            float(np.std(spacing)), n, n * float(np.std(spacing)),
            "belief after all readings; the same spacing in every pass",
        ),
        BudgetRow(
            "path beyond passes × spacing", float(np.mean(rest)), "m",
            float(np.std(rest)), 1.0, float(np.std(rest)),
            "exact trace of the believed benches: slant, mirror sag, tilt, radius",
        ),
        BudgetRow(
            "stage position since the last reading", 0.0, "m", repeat, n, n * repeat,
            "repeatability in the bench file",
        ),
    )  # fmt: skip
    u = math.hypot(float(np.std(paths)), n * repeat)
    return PathLength(float(np.mean(paths)), 2.0 * u, 2.0, rows)


def throughput(tuning: Tuning, reading: Reading) -> tuple[float, float]:
    """Share of the light at the entrance hole that a reading is, with its standard uncertainty."""
    gain = tuning.model.gain_w(tuning.belief.z)
    value = reading.power_w / float(np.mean(gain))
    of_reading = reading.uncertainty_w / reading.power_w if reading.power_w > 0.0 else 0.0
    return value, value * math.hypot(of_reading, float(np.std(gain) / np.mean(gain)))


def expected_throughput(tuning: Tuning) -> float:
    """R^(N−1) with the reflectivity that the readings gave (F16)."""
    return float(np.mean(tuning.model.reflectivity(tuning.belief.z) ** (tuning.passes - 1)))


def margins(at: Setting, low: Spread, high: Spread) -> tuple[float | None, float | None]:
    """Distance to each edge along the spacing; None where there is none."""
    down, up = at.spacing_m - low.value, high.value - at.spacing_m
    return (down if math.isfinite(down) else None, up if math.isfinite(up) else None)


def posterior(tuning: Tuning, at: Setting) -> tuple[tuple[int, float], ...]:
    """Share of the model benches that show each pass count at a setting, the largest first."""
    seen = tuning.belief.predict((at,)).passes[:, 0]
    counts, members = np.unique(seen, return_counts=True)
    order = np.argsort(-members)
    return tuple((int(counts[i]), float(members[i] / len(seen))) for i in order)


def staircase(tuning: Tuning, low_m: float, high_m: float) -> Staircase:
    """Power that the belief predicts along the spacing, for the beam of the pattern."""
    settings = tuning.settings(low_m, high_m, 241)
    seen = tuning.belief.predict(settings, most=_MEMBERS)
    tail = 0.5 * (1.0 - _COVERAGE)
    low, median, high = np.quantile(seen.power_w, [tail, 0.5, 1.0 - tail], axis=0)
    best = tuning.model.predict(tuning.belief.best(1), settings).passes[0]
    return Staircase(
        tuple(setting.spacing_m for setting in settings),
        tuple(map(float, low)),
        tuple(map(float, median)),
        tuple(map(float, high)),
        tuple(map(int, best)),
        _COVERAGE,
    )


def spots(tuning: Tuning, at: Setting) -> tuple[Spot, ...]:
    """Where the best of the believed benches has its spots."""
    cell, beam = tuning.model.cell(tuning.belief.best(1)[0], at)
    return Spot.along(trace(cell, beam, tuning.passes))

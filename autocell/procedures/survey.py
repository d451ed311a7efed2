"""Read along the spacing with the input beam as it stands, and say what the staircase tells."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from autocell.bench.bench import Bench
from autocell.bench.first_moves import with_first_move
from autocell.bench.plan import PlannedMove, plan_move
from autocell.description import BenchDescription
from autocell.errors import (
    AutocellError,
    BudgetError,
    DeviceError,
    LimitError,
    ReadingError,
    Undecided,
    UsageError,
)
from autocell.outcome import Outcome, Verdict
from autocell.patterns import list_patterns, spacing_reach
from autocell.procedures import account
from autocell.procedures.by_signal import back_home
from autocell.procedures.ending import failed, used
from autocell.procedures.light_search import Light
from autocell.procedures.progress import Listener, nobody
from autocell.procedures.tuning import Tuning
from autocell.reading import Reading
from autocell.setting import Setting


@dataclass(frozen=True)
class Step:
    """One reading of the survey, and what all of them together make of its place."""

    reading: Reading
    passes: int
    probability: float


@dataclass(frozen=True)
class Survey:
    """What a survey came to; ``steps`` in the order of the spacing."""

    outcome: Outcome
    steps: tuple[Step, ...]


def survey_spacings(
    description: BenchDescription, low_m: float | None, high_m: float | None, points: int
) -> list[float]:
    """Evenly spaced nominal spacings, m; an end that is None is as far as the stage may go.

    Raises UsageError for a range that is empty or beyond the reach of the stage.
    """
    lowest, highest = spacing_reach(description)
    low, high = lowest if low_m is None else low_m, highest if high_m is None else high_m
    if points < 2:
        raise UsageError(f"{points} points: a survey has at least 2")
    if not low < high:
        raise UsageError(
            f"a survey from {low * 1e3:g} to {high * 1e3:g} mm is empty; give the smaller first"
        )
    if low < lowest - 1e-9 or high > highest + 1e-9:
        raise UsageError(
            f"a survey from {low * 1e3:g} to {high * 1e3:g} mm leaves what the limits allow; an "
            f"approach is possible between {lowest * 1e3:.4f} and {highest * 1e3:.4f} mm"
        )
    return [float(spacing) for spacing in np.linspace(low, high, points)]


def plan_survey(bench: Bench, spacings_m: Sequence[float]) -> list[PlannedMove]:
    """The moves that :func:`survey` would make, there and back; it reads positions only."""
    axis = bench.description.axes["spacing"]
    zero = bench.description.spacing_at_zero_m
    at = bench.positions()["spacing"]
    home = bench.home_setting.spacing_m
    moves: list[PlannedMove] = []
    for spacing in (*spacings_m, home):
        move = plan_move(axis, at, spacing - zero, backlash_is_out=bool(moves))
        if move is not None:
            tried = moves or bench.tried()["spacing"]
            moves.append(move if tried else with_first_move(move))
            at = move.target
    return moves


def survey(
    bench: Bench, spacings_m: Sequence[float], *, listener: Listener = nobody, seed: int = 0
) -> Survey:
    """Read at nominal spacings, upwards, and go back to where the bench stood.

    Nothing is decided: the outcome is *unchanged* when it could go back, with what the belief
    makes of the start, unproved. It is *held* at the start when a cap or a reading ended it
    early, and *failed* when an instrument did: then it goes back once that answers again, within a
    minute, or every axis is stopped where it is.
    """
    start = bench.setting
    usable = [p.passes for p in list_patterns(bench.description) if not p.rejected]
    rng = np.random.default_rng(seed)
    tuning = Tuning(bench, start, max(usable, default=100), listener, rng)
    try:
        tuning.tell("dark", "reading the dark level")
        bench.measure_dark()
        tuning.read_at(start, "survey", "reading where the bench stands")
        for spacing in sorted(spacings_m):
            tuning.read_at(start.at_spacing(spacing), "survey", "reading along the spacing")
    except (BudgetError, LimitError, ReadingError, Undecided) as error:
        outcome = _back(tuning, Verdict.HELD, str(error), _first(tuning))
    except DeviceError as error:
        outcome = _failed(tuning, error)
    else:
        told = f"{len(spacings_m)} readings along the spacing"
        outcome = _back(tuning, Verdict.UNCHANGED, told, _first(tuning))
    outcome, steps = replace(outcome, start=start), _steps(tuning)
    return Survey(_with_findings(tuning, outcome, start) if steps else outcome, steps)


def _steps(tuning: Tuning) -> tuple[Step, ...]:
    readings = sorted(tuning.belief.readings, key=lambda reading: reading.setting.spacing_m)
    return tuple(Step(reading, *tuning.guess(reading.setting)) for reading in readings)


def _first(tuning: Tuning) -> Reading | None:
    """What was read where the bench stood, if anything was."""
    return tuning.belief.readings[0] if tuning.belief.readings else None


def _back(tuning: Tuning, verdict: Verdict, reason: str, first: Reading | None) -> Outcome:
    """Go back to the start and read there again."""
    bench = tuning.bench
    tuning.tell("back", "going back to where the bench stood")
    try:
        back = back_home(bench, None if first is None else Light.of(first))
    except DeviceError as error:
        ended = _failed(tuning, error)
        return replace(ended, reason=f"{reason}; {ended.reason}")
    except AutocellError as error:
        bench.stop()
        return used(bench, Verdict.HELD, f"{reason}; the way back failed: {error}")
    if back.as_before is False:
        verdict = Verdict.HELD
    return used(bench, verdict, f"{reason}; {back.words}")


def _failed(tuning: Tuning, error: DeviceError) -> Outcome:
    """As a change ends that an instrument ends, but that no pass count was wanted."""
    return replace(failed(tuning, error), wanted_passes=None)


def _with_findings(tuning: Tuning, outcome: Outcome, start: Setting) -> Outcome:
    """What the belief makes of the start, and of the staircase around the readings."""
    spacings = [reading.setting.spacing_m for reading in tuning.belief.readings]
    at_start = tuning.belief.readings[0]
    tuning.passes, _ = tuning.guess(start)
    throughput, throughput_u = account.throughput(tuning, at_start)
    return replace(
        outcome,
        passes=tuning.passes,
        spacing_m=float(np.mean(tuning.model.spacing_m(tuning.belief.z, start))),
        throughput=throughput,
        throughput_u=throughput_u,
        expected_throughput=account.expected_throughput(tuning),
        posterior=account.posterior(tuning, start),
        staircase=account.staircase(tuning, min(spacings) - 5e-4, max(spacings) + 5e-4),
        spots=account.spots(tuning, start),
    )

"""What one run says of each quantity, SI, with its standard uncertainty."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from autocell.description import AxisDescription, BenchDescription
from autocell.outcome import AxisMargin, Outcome, Verdict, least_margin
from autocell.procedures.condition import power_ratio
from autocell.procedures.edges import Side
from autocell.records import RunRecord
from autocell.recovery import Condition

_FINEST_NIGHTS = 0.01
"""No margin is known better than that."""

Recorded = Callable[[RunRecord, Outcome], tuple[float, float] | None]
"""What a run says of a quantity, with its standard uncertainty; None when it says nothing."""


def positions(bench: BenchDescription, run: RunRecord) -> dict[str, float] | None:
    """Where the axes stood at the end of a run, m or rad; None when it does not say."""
    if run.outcome is None or run.outcome.setting is None:
        return None
    return bench.positions(run.outcome.setting)


def counts(run: RunRecord, outcome: Outcome, passes: int | None) -> bool:
    """Whether a run proved its pass count, or found that it stands where another proved it."""
    recovery = outcome.recovery
    if recovery is not None and outcome.verdict is Verdict.UNCHANGED:
        return passes in (None, recovery.reference.passes)
    return run.summary.proved and passes in (None, run.summary.passes)


def finding(name: str) -> Recorded:
    """What its readings made of one unknown of the bench, where they told it."""

    def found(_run: RunRecord, outcome: Outcome) -> tuple[float, float] | None:
        told = [(f.value, f.u) for f in outcome.findings if f.name == name and f.observable]
        return told[0] if told else None

    return found


def place_of(bench: BenchDescription, axis: AxisDescription) -> Recorded:
    """Where an axis stood in the end, m or rad."""

    def place(run: RunRecord, _outcome: Outcome) -> tuple[float, float] | None:
        at = positions(bench, run)
        return None if at is None else (at[axis.name], axis.repeatability)

    return place


def edge_of(bench: BenchDescription, axis: AxisDescription, side: Side) -> Recorded:
    """Where an axis meets one edge of the plateau, m or rad."""

    def edge(run: RunRecord, outcome: Outcome) -> tuple[float, float] | None:
        at, margin = positions(bench, run), _margin(outcome, axis.name)
        if at is None or margin is None:
            return None
        away, u = (margin.low, margin.low_u) if side == "low" else (margin.high, margin.high_u)
        if away is None:
            return None
        place = at[axis.name] + (away if side == "high" else -away)
        return place, math.hypot(u or 0.0, axis.repeatability)

    return edge


def middle_of(bench: BenchDescription, axis: AxisDescription) -> Recorded:
    """Halfway between both edges of the plateau, m or rad."""

    def middle(run: RunRecord, outcome: Outcome) -> tuple[float, float] | None:
        at, margin = positions(bench, run), _margin(outcome, axis.name)
        if at is None or margin is None or margin.low is None or margin.high is None:
            return None
        u = 0.5 * math.hypot(margin.low_u or 0.0, margin.high_u or 0.0)
        return at[axis.name] + 0.5 * (margin.high - margin.low), math.hypot(u, axis.repeatability)

    return middle


def margin_of(axis: AxisDescription) -> Recorded:
    """What an axis has left to the nearer edge, in nights of its drift."""

    def nights(_run: RunRecord, outcome: Outcome) -> tuple[float, float] | None:
        margin = _margin(outcome, axis.name)
        return None if margin is None else _nights(margin)

    return nights


def least_margin_nights(outcome: Outcome) -> tuple[float, float] | None:
    """The least margin of a run in nights of drift, with its standard uncertainty."""
    least = least_margin([margin for margin in outcome.margins if margin.overnight_drift > 0.0])
    return None if least is None else _nights(least)


def _nights(margin: AxisMargin) -> tuple[float, float] | None:
    """That of one axis in nights of drift, with its standard uncertainty."""
    ends = [(margin.low, margin.low_u), (margin.high, margin.high_u)]
    known = [(end, u or 0.0) for end, u in ends if end is not None]
    if not known or margin.overnight_drift <= 0.0:
        return None
    _, u = min(known)
    return margin.nights, max(u / margin.overnight_drift, _FINEST_NIGHTS)


def _margin(outcome: Outcome, axis: str) -> AxisMargin | None:
    return next((margin for margin in outcome.margins if margin.axis == axis), None)


def condition(outcome: Outcome) -> Condition | None:
    """What the meters showed at the end of a run; of one that moved nothing, at its beginning."""
    if outcome.condition is not None or outcome.recovery is None:
        return outcome.condition
    return outcome.recovery.after or outcome.recovery.before


def power(run: RunRecord, outcome: Outcome) -> tuple[float, float] | None:
    """What left the cell where it ended, W."""
    seen = condition(outcome)
    return last_reading(run, outcome) if seen is None else (seen.power_w, seen.power_u_w)


def power_over(then: Condition) -> Recorded:
    """Its power over that of ``then``, the laser taken out where both know it.

    The uncertainty is that of the run alone: what ``then`` is off by is the same on every night.
    """
    exact = replace(then, power_u_w=0.0, reference_u_w=None if then.reference_w is None else 0.0)

    def ratio(_run: RunRecord, outcome: Outcome) -> tuple[float, float] | None:
        seen = condition(outcome)
        if seen is None:
            return None
        found = power_ratio(seen, exact)
        return found.value, found.u

    return ratio


def last_reading(run: RunRecord, outcome: Outcome) -> tuple[float, float] | None:
    """Power where the run ended, as far as it was read there."""
    if outcome.setting is None:
        return None
    there = outcome.setting.as_array()
    for record in reversed(run.readings):
        if np.abs(record.reading.setting.as_array() - there).max() < 2e-5:
            return record.reading.power_w, record.reading.uncertainty_w
    return None


def laser(_run: RunRecord, outcome: Outcome) -> tuple[float, float] | None:
    """What the reference meter saw, W."""
    seen = condition(outcome)
    if seen is None or seen.reference_w is None:
        return None
    return seen.reference_w, seen.reference_u_w or 0.0

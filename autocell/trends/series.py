"""What the proved runs of a bench recorded, as one value a night for each quantity.

A value of a night is that of its last run that proved its pass count; what belongs to a pattern is
taken from runs of one pass count only. SI units; each series says how people read it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cached_property
from typing import Literal

import numpy as np

from autocell.description import AxisDescription, BenchDescription
from autocell.outcome import AxisMargin, Outcome, Verdict, least_margin
from autocell.records import RunRecord
from autocell.trends.forecast import Forecast, Trend, forecast, trend
from autocell.trends.nights import Night

Group = Literal["mirrors", "light", "drift", "margin", "axis"]

_SECONDS_A_NIGHT = 86400.0
_FINEST_NIGHTS = 0.01
"""No margin is known better than that."""

_APART = 0.25
"""Nights between two values below which the second is left out: a clock was set, or a night
belongs to two days."""


@dataclass(frozen=True)
class Limit:
    """Where a quantity runs out, upwards (``above``) or downwards."""

    value: float
    above: bool
    words: str


@dataclass(frozen=True)
class Value:
    """What one run recorded, with its standard uncertainty."""

    date: date
    run: str
    night: float
    value: float
    u: float


@dataclass(frozen=True)
class Series:
    """One quantity, night by night. ``unit`` is what people read it in, ``factor`` what the values
    are multiplied by for that; ``axis`` the axis that it is about, if any."""

    name: str
    words: str
    group: Group
    unit: str
    factor: float
    values: tuple[Value, ...]
    limits: tuple[Limit, ...] = ()
    axis: str | None = None

    @cached_property
    def trend(self) -> Trend:
        """The line through it."""
        return trend(
            [value.night for value in self.values],
            [value.value for value in self.values],
            [value.u for value in self.values],
        )

    @cached_property
    def forecasts(self) -> list[tuple[Limit, Forecast]]:
        """When it runs out, for each limit that the trend leads to."""
        found = [
            (limit, forecast(self.trend, limit.value, above=limit.above)) for limit in self.limits
        ]
        return [(limit, ahead) for limit, ahead in found if ahead is not None]


Recorded = Callable[[RunRecord, Outcome], tuple[float, float] | None]
"""What a run says of a quantity, with its standard uncertainty; None when it says nothing."""


def all_series(bench: BenchDescription, nights: Sequence[Night]) -> list[Series]:
    """Every quantity of which at least one night tells something."""
    passes = pass_count(nights)
    found = [
        _series("reflectivity", "Reflectivity, mean of both mirrors", "mirrors", "", 1.0,
                nights, None, _finding("reflectivity")),
        _series("power", f"Power at {passes} passes", "light", "mW", 1e3,
                nights, passes, _power),
        _series("laser", "Laser, by the reference meter", "light", "µW", 1e6,
                nights, None, _laser),
        _series("light", "Laser, windows and meter", "light", "%", 1e2,
                nights, None, _finding("log_gain")),
    ]  # fmt: skip
    for axis in bench.axes.values():
        found += _of_axis(bench, axis, nights, passes)
    found.append(
        _series("margin", "Least margin", "margin", "nights of drift", 1.0,
                nights, passes, _least_margin, (_ONE_NIGHT,))
    )  # fmt: skip
    return [series for series in found if series.values]


def pass_count(nights: Sequence[Night]) -> int | None:
    """That of the last run that proved one."""
    for night in reversed(nights):
        if night.last_proved is not None:
            return night.last_proved.summary.passes
    return None


def positions(bench: BenchDescription, run: RunRecord) -> dict[str, float] | None:
    """Where the axes stood at the end of a run, m or rad; None when it does not say."""
    if run.outcome is None or run.outcome.setting is None:
        return None
    return bench.positions(run.outcome.setting)


_ONE_NIGHT = Limit(1.0, above=False, words="less than one night of drift is left")


def _of_axis(
    bench: BenchDescription, axis: AxisDescription, nights: Sequence[Night], passes: int | None
) -> Iterator[Series]:
    def place(run: RunRecord, _outcome: Outcome) -> tuple[float, float] | None:
        at = positions(bench, run)
        return None if at is None else (at[axis.name], axis.repeatability)

    def middle(run: RunRecord, outcome: Outcome) -> tuple[float, float] | None:
        at, margin = positions(bench, run), _margin(outcome, axis.name)
        if at is None or margin is None or margin.low is None or margin.high is None:
            return None
        u = 0.5 * math.hypot(margin.low_u or 0.0, margin.high_u or 0.0)
        return at[axis.name] + 0.5 * (margin.high - margin.low), math.hypot(u, axis.repeatability)

    low, high = bench.reach(axis.name)
    ends = (
        Limit(low, above=False, words=f"{axis.name} reaches its lower end at {_told(axis, low)}"),
        Limit(high, above=True, words=f"{axis.name} reaches its upper end at {_told(axis, high)}"),
    )
    yield _series(f"middle of {axis.name}", f"Plateau's middle, {axis.name}", "drift",
                  axis.unit, 1e3, nights, passes, middle, axis=axis.name)  # fmt: skip
    yield _series(f"position of {axis.name}", f"Position of {axis.name}", "axis",
                  axis.unit, 1e3, nights, passes, place, ends, axis.name)  # fmt: skip


def _told(axis: AxisDescription, position: float) -> str:
    return f"{position * 1e3:.4g} {axis.unit}"


def _series(
    name: str,
    words: str,
    group: Group,
    unit: str,
    factor: float,
    nights: Sequence[Night],
    passes: int | None,
    recorded: Recorded,
    limits: tuple[Limit, ...] = (),
    axis: str | None = None,
) -> Series:
    """The last value of each night, of ``passes`` passes only unless that is None."""
    values: list[Value] = []
    first = next((run.summary.started_utc for night in nights for run in night.runs), None)
    for night in nights:
        for run in reversed(night.runs):
            if run.outcome is None or not _counts(run, run.outcome, passes):
                continue
            found = recorded(run, run.outcome)
            if found is None or not (math.isfinite(found[0]) and found[1] > 0.0):
                continue
            assert first is not None
            since = (run.summary.started_utc - first).total_seconds() / _SECONDS_A_NIGHT
            if not values or since > values[-1].night + _APART:
                values.append(Value(night.date, run.summary.id, since, *found))
            break
    return Series(name, words, group, unit, factor, tuple(values), limits, axis)


def _counts(run: RunRecord, outcome: Outcome, passes: int | None) -> bool:
    """Whether a run proved its pass count, or found that it stands where another proved it."""
    recovery = outcome.recovery
    if recovery is not None and outcome.verdict is Verdict.UNCHANGED:
        return passes in (None, recovery.reference.passes)
    return run.summary.proved and passes in (None, run.summary.passes)


def _finding(name: str) -> Recorded:
    def found(_run: RunRecord, outcome: Outcome) -> tuple[float, float] | None:
        told = [(f.value, f.u) for f in outcome.findings if f.name == name and f.observable]
        return told[0] if told else None

    return found


def _margin(outcome: Outcome, axis: str) -> AxisMargin | None:
    return next((margin for margin in outcome.margins if margin.axis == axis), None)


def _least_margin(_run: RunRecord, outcome: Outcome) -> tuple[float, float] | None:
    return least_margin_nights(outcome)


def least_margin_nights(outcome: Outcome) -> tuple[float, float] | None:
    """The least margin of a run in nights of drift, with its standard uncertainty."""
    least = least_margin([margin for margin in outcome.margins if margin.overnight_drift > 0.0])
    if least is None or not math.isfinite(least.nights):
        return None
    ends = [(least.low, least.low_u), (least.high, least.high_u)]
    _, u = min((end, u or 0.0) for end, u in ends if end is not None)
    return least.nights, max(u / least.overnight_drift, _FINEST_NIGHTS)


def _power(run: RunRecord, outcome: Outcome) -> tuple[float, float] | None:
    condition = outcome.condition
    if condition is None and outcome.recovery is not None:
        condition = outcome.recovery.after or outcome.recovery.before
    if condition is not None:
        return condition.power_w, condition.power_u_w
    reading = last_reading(run, outcome)
    return None if reading is None else reading


def last_reading(run: RunRecord, outcome: Outcome) -> tuple[float, float] | None:
    """Power where the run ended, as far as it was read there."""
    if outcome.setting is None:
        return None
    there = outcome.setting.as_array()
    for record in reversed(run.readings):
        if np.abs(record.reading.setting.as_array() - there).max() < 2e-5:
            return record.reading.power_w, record.reading.uncertainty_w
    return None


def _laser(_run: RunRecord, outcome: Outcome) -> tuple[float, float] | None:
    condition = outcome.condition
    if condition is None and outcome.recovery is not None:
        condition = outcome.recovery.after or outcome.recovery.before
    if condition is None or condition.reference_w is None:
        return None
    return condition.reference_w, condition.reference_u_w or 0.0

"""What the proved runs of a bench recorded, as one value a night for each quantity.

A value of a night is that of its last run that proved its pass count; what belongs to a pattern is
taken from runs of one pass count only. SI units; each series says how people read it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cached_property
from typing import Literal

from autocell.description import AxisDescription, BenchDescription
from autocell.outcome import Outcome, Verdict
from autocell.procedures.edges import EDGE_ROOM_M, SIDES
from autocell.procedures.recovery.comparison import power_bounds
from autocell.records import RunRecord
from autocell.recovery import Condition
from autocell.trends import recorded
from autocell.trends.forecast import Forecast, Trend, forecast, trend
from autocell.trends.nights import Night
from autocell.trends.recorded import Recorded

Group = Literal["mirrors", "light", "ratio", "drift", "edge", "margin", "axis"]

_SECONDS_A_NIGHT = 86400.0
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


def all_series(bench: BenchDescription, nights: Sequence[Night]) -> list[Series]:
    """Every quantity of which at least one night tells something."""
    passes = pass_count(nights)
    found = [
        _series("reflectivity", "Reflectivity, mean of both mirrors", "mirrors", "", 1.0,
                nights, None, recorded.finding("reflectivity")),
        _series("power", f"Power at {passes} passes", "light", "mW", 1e3,
                nights, passes, recorded.power),
        _series("laser", "Laser, by the reference meter", "light", "µW", 1e6,
                nights, None, recorded.laser),
        _series("light", "Laser, windows and meter", "light", "%", 1e2,
                nights, None, recorded.finding("log_gain")),
    ]  # fmt: skip
    if (ratio := _light_over_reference(bench, nights, passes)) is not None:
        found.append(ratio)
    for axis in bench.axes.values():
        found += _of_axis(bench, axis, nights, passes)
    found.append(
        _series("margin", "Least margin", "margin", "nights of drift", 1.0,
                nights, passes, lambda _run, outcome: recorded.least_margin_nights(outcome),
                (_ONE_NIGHT,))
    )  # fmt: skip
    return [series for series in found if series.values]


def pass_count(nights: Sequence[Night]) -> int | None:
    """That of the last run that proved one, or found the bench as another had proved it."""
    for night in reversed(nights):
        if night.last_proved is not None:
            return night.last_proved.summary.passes
        for run in reversed(night.runs):
            stands = run.outcome is not None and run.outcome.verdict is Verdict.UNCHANGED
            if stands and run.outcome is not None and run.outcome.recovery is not None:
                return run.outcome.recovery.reference.passes
    return None


_ONE_NIGHT = Limit(1.0, above=False, words="less than one night of drift is left")


def _light_over_reference(
    bench: BenchDescription, nights: Sequence[Night], passes: int | None
) -> Series | None:
    """The light over that of the reference setting, which is what recoveries go by.

    Where nights are recovered one after the other, they are those with one reference, and the
    limits are those within which a recovery moves nothing. Where each night sets its own, all
    nights are told over the last, and there is no limit.
    """
    outcomes = [
        run.outcome
        for night in nights
        for run in night.runs
        if run.outcome is not None and recorded.counts(run, run.outcome, passes)
    ]
    then = next((seen for last in reversed(outcomes) if (seen := _compared_with(last))), None)
    if then is None:
        return None
    same = [n for n in nights if any(_has_reference(run, then) for run in n.runs)]
    lasting = len(same) > 1
    low, high = power_bounds(bench)
    percent = f"{100 * bench.recovery.power_within:g} %"
    limits = (
        Limit(
            1.0 + low,
            above=False,
            words=f"it is down by {percent}, where recoveries begin to move axes,",
        ),
        Limit(1.0 + high, above=True, words="it is so much up that recoveries move axes"),
    )
    taken_out = ", the laser taken out" if then.reference_w is not None else ""
    return _series("ratio", f"Light over that of the reference{taken_out}", "ratio", "%", 1e2,
                   same if lasting else nights, passes, recorded.power_over(then),
                   limits if lasting else ())  # fmt: skip


def _compared_with(outcome: Outcome) -> Condition | None:
    """What the light is compared with: a recovery says so, and what a change left is the next."""
    recovery = outcome.recovery
    return outcome.condition if recovery is None else recovery.reference.condition


def _has_reference(run: RunRecord, then: Condition) -> bool:
    return run.outcome is not None and _compared_with(run.outcome) == then


def _of_axis(
    bench: BenchDescription, axis: AxisDescription, nights: Sequence[Night], passes: int | None
) -> Iterator[Series]:
    name = axis.name

    def series(
        kind: str,
        words: str,
        group: Group,
        told_by: Recorded,
        *limits: Limit,
        nightly: bool = False,
    ) -> Series:
        unit, factor = ("nights of drift", 1.0) if nightly else (axis.unit, 1e3)
        return _series(f"{kind} of {name}", words, group, unit, factor, nights, passes, told_by,
                       limits, name)  # fmt: skip

    low, high = bench.reach(name)
    yield series("middle", f"Plateau's middle, {name}", "drift", recorded.middle_of(bench, axis))
    if name == "spacing":  # a proof needs both edges of this axis, and of no other
        lost = f"of the plateau comes too close to the end of {name} to be read"
        least = Limit(low + EDGE_ROOM_M, above=False, words=f"the lower edge {lost}")
        most = Limit(high - EDGE_ROOM_M, above=True, words=f"the upper edge {lost}")
        lower, upper = (recorded.edge_of(bench, axis, side) for side in SIDES)
        yield series("low edge", f"Plateau's lower edge, {name}", "edge", lower, least)
        yield series("high edge", f"Plateau's upper edge, {name}", "edge", upper, most)
    yield series(
        "position", f"Position of {name}", "axis", recorded.place_of(bench, axis),
        Limit(low, above=False, words=f"{name} reaches its lower end at {_told(axis, low)}"),
        Limit(high, above=True, words=f"{name} reaches its upper end at {_told(axis, high)}"),
    )  # fmt: skip
    yield series("margin", f"Margin, {name}", "margin", recorded.margin_of(axis), _ONE_NIGHT,
                 nightly=True)  # fmt: skip


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
    told_by: Recorded,
    limits: tuple[Limit, ...] = (),
    axis: str | None = None,
) -> Series:
    """The last value of each night, of ``passes`` passes only unless that is None."""
    values: list[Value] = []
    first = next((run.summary.started_utc for night in nights for run in night.runs), None)
    for night in nights:
        for run in reversed(night.runs):
            if run.outcome is None or not recorded.counts(run, run.outcome, passes):
                continue
            found = told_by(run, run.outcome)
            if found is None or not (math.isfinite(found[0]) and found[1] > 0.0):
                continue
            assert first is not None
            since = (run.summary.started_utc - first).total_seconds() / _SECONDS_A_NIGHT
            if not values or since > values[-1].night + _APART:
                values.append(Value(night.date, run.summary.id, since, *found))
            break
    return Series(name, words, group, unit, factor, tuple(values), limits, axis)

"""A night in numbers: before, after and the reference; what moved; what runs out, and when."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from autocell.description import AxisDescription
from autocell.outcome import Outcome
from autocell.records import RunRecord
from autocell.recovery import Condition, Ratio
from autocell.report import words
from autocell.report.morning.morning import Morning
from autocell.trends.forecast import Forecast
from autocell.trends.series import Series, last_reading, least_margin_nights, positions

COMPARED_HEAD = ("", "Reference", "Before", "After")
MOVED_HEAD = ("Axis", "Moves", "Back and forth", "Net", "Net, all nights")
TREND_HEAD = ("", "Last", "Change a night", "Runs out")

Number = tuple[float, float] | None
"""A value with its standard uncertainty."""

_FINER = {
    "mm": ("µm", 1e3), "mrad": ("µrad", 1e3), "mW": ("µW", 1e3), "": ("ppm", 1e6),
    "nights of drift": ("nights", 1.0),
}  # fmt: skip
"""What a change a night is read in, and by what it is multiplied for that."""

_SAME_PLACE_M = 0.2e-3
"""Settings closer than this along the spacing are one pattern's. [trade]"""


@dataclass(frozen=True)
class Compared:
    """One quantity: its ``numbers`` at the reference setting, before and after the night, SI;
    ``factor`` makes ``unit`` of them."""

    words: str
    unit: str
    factor: float
    numbers: tuple[Number, Number, Number]
    digits: int = 0
    """After the point, where no uncertainty says how many."""

    def cells(self) -> tuple[str, str, str, str]:
        """As :data:`COMPARED_HEAD` says."""
        label = f"{self.words} / {self.unit}" if self.unit else self.words
        reference, before, after = map(self._told, self.numbers)
        return label, reference, before, after

    def _told(self, number: Number) -> str:
        if number is None:
            return ""
        value, u = self.factor * number[0], self.factor * number[1]
        return told(value, u) if u > 0.0 else f"{value:.{self.digits}f}".replace("-", "−")


@dataclass(frozen=True)
class Moved:
    """How far one axis went in the night, m or rad: all legs together, and from its beginning to
    its end; ``net_all`` since the first of all nights that proved the pattern."""

    axis: AxisDescription
    moves: int
    gross: float
    net: float
    net_all: float | None

    def cells(self) -> tuple[str, str, str, str, str]:
        """As :data:`MOVED_HEAD` says."""
        unit = self.axis.unit
        net_all = "" if self.net_all is None else f"{signed(1e3 * self.net_all)} {unit}"
        return (
            self.axis.name,
            str(self.moves),
            f"{1e3 * self.gross:.4f} {unit}",
            f"{signed(1e3 * self.net)} {unit}",
            net_all,
        )


def compared(morning: Morning) -> list[Compared]:
    """Every quantity that is known of at least one of the three."""
    before, after = _before(morning), _after(morning)
    reference = morning.reference.outcome if morning.reference is not None else None
    recovery = morning.recovery
    seen = recovery.reference.condition if recovery is not None else _condition(reference)
    ratios: tuple[Ratio | None, Ratio | None] = (None, None)
    if recovery is not None:
        ratios = recovery.power_before, recovery.power_after
    ratio_before, ratio_after = map(_ratio, ratios)
    rows = [
        Compared("Power out of the cell", "mW", 1e3, (
            _power(seen, morning.reference),
            _power(before, None) or _first_power(morning),
            _power(after, morning.last),
        )),
        Compared("Power over that of the reference", "", 1.0, (None, ratio_before, ratio_after)),
        Compared("Laser, by the reference meter", "µW", 1e6,
                 (_laser(seen), _laser(before), _laser(after))),
        Compared("Temperature", "°C", 1.0,
                 (_temperature(seen), _temperature(before), _temperature(after)), digits=1),
        *_axes(morning),
        *(
            Compared(label, unit, factor, (get(reference), None, get(morning.outcome)))
            for label, unit, factor, get in (
                ("Path length", "m", 1.0, _path),
                ("Throughput", "", 1.0, _throughput),
                ("Reflectivity of the mirrors", "", 1.0, _reflectivity),
                ("Least margin", "nights of drift", 1.0, _margin),
            )
        ),
    ]  # fmt: skip
    return [row for row in rows if any(row.numbers)]


def moved(morning: Morning) -> list[Moved]:
    """Every axis that moved in the night, or since the first night that proved the pattern."""
    first = _first_proved(morning)
    rows = []
    for axis in morning.bench.axes.values():
        moves = [move for run in morning.runs for move in run.moves if move.axis == axis.name]
        ends = [m.start if m.position is None else m.position for m in moves]
        gross = sum(abs(end - move.start) for move, end in zip(moves, ends, strict=True))
        net = ends[-1] - moves[0].start if moves else 0.0
        last = _ended(morning).get(axis.name)
        began = first.get(axis.name)
        net_all = None if last is None or began is None else last - began
        if moves or (net_all is not None and abs(net_all) > axis.repeatability):
            rows.append(Moved(axis, len(moves), gross, net, net_all))
    return rows


def trend_rows(morning: Morning) -> list[tuple[str, str, str, str]]:
    """Every quantity with more than one night, as :data:`TREND_HEAD` says."""
    return [
        (
            f"{series.words} / {series.unit}" if series.unit else series.words,
            told(series.factor * series.values[-1].value, series.factor * series.values[-1].u),
            change_in_words(series),
            runs_out_in_words(series),
        )
        for series in morning.series
        if len(series.values) > 1 and _worth_a_row(series)
    ]


def _worth_a_row(series: Series) -> bool:
    """Axes that never moved have none, and the middle of a plateau only where axes are turned or
    spaced to it."""
    places = [value.value for value in series.values]
    if series.group == "drift" and series.axis != "spacing" and series.unit == "mm":
        return False
    return series.axis is None or max(places) - min(places) > 2.0 * series.values[-1].u


def change_in_words(series: Series) -> str:
    """The slope with its uncertainty, or that there is none."""
    trend = series.trend
    if trend.line is None:
        used = words.count(len(trend.used), "night")
        since = " since it jumped" if trend.jump is not None else ""
        return f"too early: {used}{since}"
    if not trend.found:
        return "no trend"
    unit, finer = _FINER.get(series.unit, (series.unit, 1.0))
    factor = series.factor * finer
    value = told(factor * trend.line.slope, factor * trend.line.slope_u, sign=True)
    return f"{value} {unit}"


def runs_out_in_words(series: Series) -> str:
    """When a limit is reached, as far as can be told; empty for what has no limit."""
    if not series.limits:
        return ""
    if not series.forecasts:
        if series.trend.line is None or not series.trend.found:
            return "not foreseen"
        return f"not within {3 * series.trend.line.span:.0f} nights"
    return "; ".join(between(series, ahead) for _, ahead in series.forecasts)


def between(series: Series, ahead: Forecast) -> str:
    """The nights between which a limit is passed with 95 % probability."""
    if ahead.middle is not None and ahead.middle <= 0.0:
        return "now"
    last = series.values[-1].date
    earliest = short(night_ahead(last, ahead.earliest))
    middle = None if ahead.middle is None else short(night_ahead(last, ahead.middle))
    if middle is None:
        return f"not before {earliest}"
    if ahead.latest is None:
        return f"{middle} ({earliest} or later)"
    latest = short(night_ahead(last, ahead.latest))
    return middle if earliest == latest else f"{middle} ({earliest} to {latest})"


def short(of: date) -> str:
    """A day for a narrow column."""
    return f"{of.day} {of:%b}"


def night_ahead(last: date, nights: float) -> date:
    """The date of a night so many nights on."""
    return last + timedelta(days=int(nights))


def told(value: float, u: float, *, sign: bool = False) -> str:
    """A value with its standard uncertainty."""
    shown, around = words.with_uncertainty(value, u)
    plus = "+" if sign and value > 0.0 else ""
    return f"{plus}{shown} ± {around}".replace("-", "−") if u > 0.0 else shown.replace("-", "−")


def signed(value: float) -> str:
    """To a tenth of a micrometre or microradian; what did not move has no sign."""
    return f"{value:+.4f}".replace("-", "−") if abs(value) >= 5e-5 else "0"


def _first_proved(morning: Morning) -> dict[str, float]:
    """Where the first of all nights that proved the pattern left the axes."""
    for run in morning.nights.runs:
        if run.summary.proved and run.summary.passes == morning.passes:
            return positions(morning.bench, run) or {}
    return {}


def _axes(morning: Morning) -> list[Compared]:
    """Where the axes stood, as they read back; those that stood still are left out."""
    reference = None if morning.reference is None else positions(morning.bench, morning.reference)
    began = next((place for run in morning.runs if (place := _began(run))), {})
    ended = _ended(morning)
    rows = []
    for axis in morning.bench.axes.values():
        places = [None if at is None else at.get(axis.name) for at in (reference, began, ended)]
        known = [place for place in places if place is not None]
        if known and max(known) - min(known) > axis.repeatability:
            u = axis.repeatability
            at, before, after = (None if place is None else (place, u) for place in places)
            rows.append(Compared(f"Position of {axis.name}", axis.unit, 1e3, (at, before, after)))
    return rows


def _began(run: RunRecord) -> dict[str, float]:
    """Where the axes stood before a run moved them, as far as it says."""
    places = dict(run.stood)
    for move in run.moves:
        places.setdefault(move.axis, move.start)
    return places


def _ended(morning: Morning) -> dict[str, float]:
    """Where the night left the axes, as far as it says."""
    places = next((place for run in morning.runs if (place := _began(run))), {})
    for run in morning.runs:
        places |= {m.axis: m.position for m in run.moves if m.position is not None}
    return places


def _before(morning: Morning) -> Condition | None:
    recovery = morning.recovery
    return None if recovery is None else recovery.before


def _after(morning: Morning) -> Condition | None:
    recovery, outcome = morning.recovery, morning.outcome
    if outcome is not None and outcome.condition is not None:
        return outcome.condition
    return None if recovery is None else recovery.after


def _condition(outcome: Outcome | None) -> Condition | None:
    return None if outcome is None else outcome.condition


def _power(condition: Condition | None, run: RunRecord | None) -> Number:
    if condition is not None:
        return condition.power_w, condition.power_u_w
    if run is None or run.outcome is None:
        return None
    return last_reading(run, run.outcome)


def _first_power(morning: Morning) -> Number:
    """The first reading of the night, if it was made where the reference pattern stands."""
    readings = [record.reading for run in morning.runs for record in run.readings]
    reference = morning.reference.outcome if morning.reference is not None else None
    if not readings or reference is None or reference.setting is None:
        return None
    away = abs(readings[0].setting.spacing_m - reference.setting.spacing_m)
    return (readings[0].power_w, readings[0].uncertainty_w) if away < _SAME_PLACE_M else None


def _ratio(ratio: Ratio | None) -> Number:
    return None if ratio is None else (ratio.value, ratio.u)


def _laser(condition: Condition | None) -> Number:
    if condition is None or condition.reference_w is None:
        return None
    return condition.reference_w, condition.reference_u_w or 0.0


def _temperature(condition: Condition | None) -> Number:
    if condition is None or condition.temperature_c is None:
        return None
    return condition.temperature_c, 0.0


def _path(outcome: Outcome | None) -> Number:
    path = None if outcome is None else outcome.path_length
    return None if path is None else (path.value_m, path.expanded_u_m / path.coverage_factor)


def _throughput(outcome: Outcome | None) -> Number:
    if outcome is None or outcome.throughput is None:
        return None
    return outcome.throughput, outcome.throughput_u or 0.0


def _reflectivity(outcome: Outcome | None) -> Number:
    found: Sequence[tuple[float, float]] = (
        []
        if outcome is None
        else [(f.value, f.u) for f in outcome.findings if f.name == "reflectivity" and f.observable]
    )
    return found[0] if found else None


def _margin(outcome: Outcome | None) -> Number:
    if outcome is None:
        return None
    left = None if outcome.recovery is None else outcome.recovery.margin_nights_left
    return least_margin_nights(outcome) or (None if left is None else (left, 0.0))

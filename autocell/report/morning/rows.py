"""A night in numbers: what moved; what runs out, and when."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

from autocell.description import AxisDescription
from autocell.records import RunRecord
from autocell.report import words
from autocell.report.morning.morning import Morning
from autocell.trends.forecast import Forecast
from autocell.trends.recorded import positions
from autocell.trends.series import Series

MOVED_HEAD = ("Axis", "Moves", "Back and forth", "Net", "Net, all nights")
TREND_HEAD = ("", "Last", "Change a night", "Runs out")

_FINER = {
    "mm": ("µm", 1e3), "mrad": ("µrad", 1e3), "mW": ("µW", 1e3), "": ("ppm", 1e6),
    "nights of drift": ("nights", 1.0),
}  # fmt: skip
"""What a change a night is read in, and by what it is multiplied for that."""


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


def moved(morning: Morning) -> list[Moved]:
    """Every axis that moved in the night, or since the first night that proved the pattern."""
    first = _first_proved(morning)
    rows = []
    for axis in morning.bench.axes.values():
        moves = [move for run in morning.runs for move in run.moves if move.axis == axis.name]
        ends = [m.start if m.position is None else m.position for m in moves]
        gross = sum(abs(end - move.start) for move, end in zip(moves, ends, strict=True))
        net = ends[-1] - moves[0].start if moves else 0.0
        last = ended(morning).get(axis.name)
        proved = first.get(axis.name)
        net_all = None if last is None or proved is None else last - proved
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
    """Axes that never moved have none, the edges of a plateau and the margin of one axis only when
    they run out, and its middle only where axes are turned or spaced to it."""
    places = [value.value for value in series.values]
    if series.group == "edge" or (series.group == "margin" and series.axis is not None):
        return bool(series.forecasts)
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


def began(run: RunRecord) -> dict[str, float]:
    """Where the axes stood before a run moved them, as far as it says."""
    places = dict(run.stood)
    for move in run.moves:
        places.setdefault(move.axis, move.start)
    return places


def ended(morning: Morning) -> dict[str, float]:
    """Where the night left the axes, as far as it says."""
    places = next((place for run in morning.runs if (place := began(run))), {})
    for run in morning.runs:
        places |= {m.axis: m.position for m in run.moves if m.position is not None}
    return places

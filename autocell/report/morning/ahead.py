"""What the trends of the nights ask for: what runs out and when, and where the light goes."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import inf

from autocell.recovery import CauseName
from autocell.report import words
from autocell.report.morning.morning import Morning
from autocell.report.morning.rows import between, night_ahead
from autocell.report.morning.verdict import day
from autocell.trends.forecast import Forecast
from autocell.trends.series import Limit, Series

_LIGHT_LOST = 0.02
"""Share of the light below which a loss is only watched. [trade]"""

_SURE_U = 3.0

_WARNED_NIGHTS = 30.0
"""How long before something runs out it is worth a word. [trade]"""


@dataclass(frozen=True)
class Advice:
    """What to do, in a sentence. ``can_wait``: no need to do it today."""

    text: str
    can_wait: bool = False


def about_what_runs_out(morning: Morning) -> Iterator[Advice]:
    """Of margins and of axes, each time what is first."""
    margin: tuple[Series, Limit, Forecast] | None = None
    of_axis: dict[str | None, tuple[Series, Limit, Forecast]] = {}
    for series in morning.series:
        for limit, ahead in series.forecasts if series.group in ("axis", "edge", "margin") else ():
            if ahead.middle is None or ahead.middle > 2.0 * _WARNED_NIGHTS:
                continue  # it may as well not happen
            found = series, limit, ahead
            if series.group == "margin":
                margin = found if margin is None else min(margin, found, key=_soonest)
            else:
                of_axis[series.axis] = min(of_axis.get(series.axis, found), found, key=_soonest)
    for series, limit, ahead in of_axis.values():
        yield Advice(
            f"Bring {series.axis} back to the middle of its range by hand in time: at the present "
            f"rate {limit.words} {_when(series, ahead)}.",
            can_wait=ahead.earliest > _WARNED_NIGHTS,
        )
    if margin is not None:
        series, limit, ahead = margin
        before = day(night_ahead(series.values[-1].date, ahead.earliest))
        along = "" if series.axis is None else f" along {series.axis}"
        yield Advice(
            f"Align the mirrors before {before}: the plateau narrows{along}, and at the present "
            f"rate {limit.words} {_when(series, ahead)}.",
            can_wait=ahead.earliest > _WARNED_NIGHTS,
        )


def _soonest(found: tuple[Series, Limit, Forecast]) -> float:
    middle = found[2].middle
    return inf if middle is None else middle


def about_the_light(morning: Morning) -> Iterator[Advice]:
    """Of mirrors, laser, windows and meter: what falls, and how much light that costs."""
    by_name = {series.name: series for series in morning.series}
    mirrors, ratio = by_name.get("reflectivity"), by_name.get("ratio")
    about_mirrors = list(_about_mirrors(morning, mirrors, ratio))
    yield from about_mirrors
    if not about_mirrors and ratio is not None:
        yield from _about_loss(morning, ratio)
    laser, light = by_name.get("laser"), by_name.get("light")
    if laser is not None and (fell := _fallen(laser)) is not None:
        share = fell / laser.values[laser.trend.used[0]].value
        yield Advice(
            f"Look at the laser: its power fell by {100 * share:.1f} % in {_nights(laser)}.",
            can_wait=share < _LIGHT_LOST,
        )
    elif light is not None and (fell := _fallen(light)) is not None:
        yield Advice(
            f"Look at the laser, the windows and the meter: together they let through "
            f"{100 * fell:.1f} % less than {_nights(light)} ago. Without a reference meter these "
            "readings cannot tell them apart.",
            can_wait=fell < _LIGHT_LOST,
        )


def _about_mirrors(
    morning: Morning, mirrors: Series | None, ratio: Series | None
) -> Iterator[Advice]:
    """By the reflectivity where it has a trend; else by the light that they cost, where a recovery
    has named them, or where the light falls beyond doubt and the reflectivity with it."""
    named = morning.cause is not None and morning.cause.name is CauseName.MIRRORS
    passes = morning.passes or 2
    fell = None if mirrors is None else _fallen(mirrors)
    loss = None if ratio is None else _as_reflectivity(morning, ratio)
    if mirrors is not None and fell is not None and mirrors.trend.change is not None:
        value, around = words.with_uncertainty(fell, mirrors.trend.change[1])
        last = mirrors.values[-1].value
        lost = 1.0 - (last / (last + fell)) ** (passes - 1)  # R^(N-1)
        urgent = named or lost >= _LIGHT_LOST
        yield Advice(
            f"{'Clean' if urgent else 'Watch'} the mirrors: reflectivity fell {value} ± {around} "
            f"in {_nights(mirrors)}, which costs {100 * lost:.1f} % of the light at {passes} "
            "passes.",
            can_wait=not urgent,
        )
    elif ratio is not None and loss is not None and (named or _falls_too(mirrors)):
        value, around = words.with_uncertainty(*loss)
        lost = _share_lost(ratio)
        urgent = named or lost >= _LIGHT_LOST
        yield Advice(
            f"{'Clean' if urgent else 'Watch'} the mirrors: reflectivity fell {value} ± {around} "
            f"in {_nights(ratio)}, by the {100 * lost:.1f} % of the light at {passes} passes that "
            "were lost meanwhile; all of that is taken for theirs.",
            can_wait=not urgent,
        )
    elif named and morning.cause is not None:
        yield Advice(words.sentence(morning.cause.advice))


def _falls_too(mirrors: Series | None) -> bool:
    """Whether the reflectivity says that it is the mirrors, of light that falls beyond doubt.

    That something falls need not be asked a second time, so that a bench that might have wandered
    is no objection: three standard uncertainties of the slope are enough.
    """
    line = None if mirrors is None else mirrors.trend.line
    return line is not None and line.slope < -_SURE_U * line.slope_u


def _about_loss(morning: Morning, ratio: Series) -> Iterator[Advice]:
    """How much light was lost, nobody knows where; and when recoveries will begin to act on it."""
    change, loss = ratio.trend.change, _as_reflectivity(morning, ratio)
    if change is None or loss is None:
        return
    lost = _share_lost(ratio)
    value, around = words.with_uncertainty(100 * lost, 100 * change[1])
    laser = ", the laser taken out" if _laser_known(ratio) else ""
    fell = f"at {morning.passes} passes it fell by {value} ± {around} % in {_nights(ratio)}{laser}."
    if morning.cause is not None:  # what to do about it stands with the cause
        text = f"The light goes on falling: {fell}"
    elif lost >= _LIGHT_LOST:
        text = f"Find out where light is lost: {fell}"
    else:
        text = f"Watch the light: {fell}"
    ahead_of = [
        f" At the present rate {limit.words} {_when(ratio, ahead)}."
        for limit, ahead in ratio.forecasts
        if ahead.middle is not None and 0.0 < ahead.middle <= 2.0 * _WARNED_NIGHTS
    ]
    value, around = words.with_uncertainty(*loss)
    others = "windows and detector" if _laser_known(ratio) else "laser, windows and meter"
    alone = (
        f" Were it the mirrors alone, their reflectivity would have fallen {value} ± {around}; "
        f"{'alignment, ' if ratio.limits else ''}{others} look the same as yet."
    )
    yield Advice("".join((text, *ahead_of, alone)), can_wait=lost < _LIGHT_LOST or bool(ahead_of))


def _share_lost(ratio: Series) -> float:
    """Share of the light that was lost along the line; zero without a trend."""
    change, line = ratio.trend.change, ratio.trend.line
    if change is None or line is None:
        return 0.0
    return -change[0] / line.at(line.nights[0])[0]


def _as_reflectivity(morning: Morning, ratio: Series) -> tuple[float, float] | None:
    """By how much the reflectivity of both mirrors would have fallen over the nights of the line if
    all the light that it lost were lost there, with its standard uncertainty: the power goes with
    R^(N-1). None without a trend downwards."""
    change, passes = ratio.trend.change, morning.passes
    if change is None or change[0] >= 0.0 or passes is None or ratio.trend.line is None:
        return None
    began, _ = ratio.trend.line.at(ratio.trend.line.nights[0])
    kept = 1.0 - _share_lost(ratio)
    reflectivity = morning.bench.mean_reflectivity
    fell = reflectivity * (1.0 - kept ** (1.0 / (passes - 1)))
    return fell, reflectivity / (passes - 1) * change[1] / (began * kept)


def _laser_known(ratio: Series) -> bool:
    return "laser" in ratio.words


def _when(series: Series, ahead: Forecast) -> str:
    when = between(series, ahead)
    return when if ahead.middle is not None and ahead.middle <= 0.0 else f"on {when}"


def _fallen(series: Series) -> float | None:
    """By how much the line fell over its nights; None without a trend downwards."""
    change = series.trend.change
    return -change[0] if change is not None and change[0] < 0.0 else None


def _nights(series: Series) -> str:
    line = series.trend.line
    assert line is not None
    return words.count(round(line.span), "night")

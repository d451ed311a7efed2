"""Is the input beam cut on one side? Look to both sides along each of its axes, and where one side
is brighter go between the edges. Without a model: a knocked beam is outside every tolerance.

Light beyond that of the pattern is of fewer passes, and counts as none.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from autocell.description import BenchDescription
from autocell.outcome import AxisMargin
from autocell.procedures.recovery.reference import ReferenceSetting
from autocell.reading import Reading
from autocell.scan import Scan
from autocell.setting import Setting

_ASIDE = 0.3
"""How far to each side the first look goes, in half widths of the plateau."""

_CUT = 0.5
"""Of the power here: with less to one side and more to the other, the hole cuts the beam, for the
sides are further apart than a beam is wide. A speck takes a few per cent; at an end of its plateau
along the spacing a bench of 62 passes lost a third at most."""

_DARKER = 0.95
"""Of the power here: beside a speck no side is darker than this, at an end of a plateau one was."""

_FAR, _POINTS = 1.25, 9
"""How far a whole look goes, in half widths, and in how many readings."""

_SIGMAS = 3.0

ReadAt = Callable[[Setting, str], Reading]
"""Moves there, reads, and says what for."""


@dataclass(frozen=True)
class SideLook:
    """What both sides of one input axis showed, as shares of the power between them.

    ``shift`` is how far the axis went to stand between the edges, m or rad; zero where it was left
    where it stood. ``brighter`` says of the low and of the high side whether it was.
    """

    axis: str
    unit: str
    low: float
    high: float
    shift: float = 0.0
    brighter: tuple[bool, bool] = (False, False)

    @property
    def cut(self) -> bool:
        """Whether the light falls off a cliff to one side, and does not fall to the other."""
        return min(self.low, self.high) < _CUT and max(self.low, self.high) > _DARKER

    @property
    def words(self) -> str:
        """What was seen, in a sentence."""
        sides = f"{self.axis}: {100 * self.low:.1f} % of the power to one side, "
        sides += f"{100 * self.high:.1f} % to the other"
        if self.shift != 0.0:
            return f"{sides}; between the edges after {1e3 * self.shift:+.3f} {self.unit}"
        if all(self.brighter):
            return f"{sides}; both are brighter"
        return (
            f"{sides}; one is brighter" if any(self.brighter) else f"{sides}; neither is brighter"
        )


def seems_a_speck(looks: tuple[SideLook, ...]) -> bool:
    """Whether the light is lost where the beam stands and nowhere around it."""
    around = [side for look in looks for side in (look.low, look.high)]
    return any(any(look.brighter) for look in looks) and min(around) > _DARKER


def centre_beam(
    bench: BenchDescription,
    reference: ReferenceSetting,
    start: Reading,
    read_at: ReadAt,
    most_w: float,
    *,
    cut_only: bool = False,
) -> tuple[Setting, tuple[SideLook, ...]]:
    """Where the input beam stands between the edges of the axes that cut it, and what was seen.

    The plateau's width along each axis is that at the reference setting; an axis whose margin is
    not known is left alone. Axes that turn the beam are tried where none that shifts it helps. The
    light must fall off a cliff to one side, or, unless ``cut_only``, be more to one by three
    standard uncertainties and by what the bench file wants of a step: then it may be no edge of the
    hole that costs the light. More than ``most_w`` is not of the pattern. The setting returned is
    where ``start`` was read when no axis was moved.

    Raises what moving and reading raise.
    """
    here, looks = start, list[SideLook]()
    for name in _shifting_first(bench):
        turns = any(bench.axes[name].effect[3:5])
        if turns and any(look.shift for look in looks):
            break
        margin = reference.margin(name)
        half = None if margin is None else _half_width(margin)
        if half is None:
            continue
        scan = Scan.along(bench, name, here.setting)
        gain_w = bench.recovery.least_gain * here.power_w
        look = _look_aside(scan, half, here, read_at, gain_w, most_w)
        if look.cut or (any(look.brighter) and not cut_only):
            target = scan.at(_between_edges(scan, half, here, read_at, most_w))
            here = read_at(target, f"between the edges of {name}")
            shift = scan.place(target) - scan.here
            look = replace(look, shift=shift)
        looks.append(look)
    return here.setting, tuple(looks)


def _shifting_first(bench: BenchDescription) -> list[str]:
    names = [name for name in bench.axes if name != "spacing"]
    return sorted(names, key=lambda name: any(bench.axes[name].effect[3:5]))


def _half_width(margin: AxisMargin) -> float | None:
    ends = [end for end in (margin.low, margin.high) if end is not None]
    return sum(ends) / len(ends) if ends else None


def _look_aside(
    scan: Scan, half: float, here: Reading, read_at: ReadAt, least_w: float, most_w: float
) -> SideLook:
    name = scan.axis.name
    shares, gains = list[float](), list[bool]()
    for side in (-_ASIDE, _ASIDE):
        seen = read_at(scan.at(scan.here + side * half), f"looking to a side of {name}")
        gain_w = seen.power_w - here.power_w
        u_w = float(np.hypot(seen.uncertainty_w, here.uncertainty_w))
        shares.append(seen.power_w / max(here.power_w, here.uncertainty_w))
        gains.append(bool(seen.power_w <= most_w and gain_w > max(_SIGMAS * u_w, least_w)))
    low, high = gains
    return SideLook(name, scan.axis.unit, shares[0], shares[1], brighter=(low, high))


def _between_edges(scan: Scan, half: float, here: Reading, read_at: ReadAt, most_w: float) -> float:
    """The middle between where the power is half of its best; from one edge alone where the axis
    does not reach the other."""
    low, high = scan.here - _FAR * half, scan.here + _FAR * half
    settings = scan.between(low, high, _POINTS)
    name = scan.axis.name
    seen = [read_at(setting, f"looking for the edges of {name}") for setting in settings]
    place = np.array([scan.place(reading.setting) for reading in seen] + [scan.here])
    power = np.array([reading.power_w for reading in seen] + [here.power_w])
    power[power > most_w] = 0.0
    order = np.argsort(place)
    place, power = place[order], power[order]
    best = int(power.argmax())
    bright = power > 0.5 * power[best]
    first = last = best
    while first > 0 and bright[first - 1]:
        first -= 1
    while last < len(place) - 1 and bright[last + 1]:
        last += 1
    low_edge = _crossing(place, power, first - 1, first, 0.5 * power[best])
    high_edge = _crossing(place, power, last, last + 1, 0.5 * power[best])
    if low_edge is not None and high_edge is not None:
        return 0.5 * (low_edge + high_edge)
    if low_edge is not None:
        return low_edge + half
    if high_edge is not None:
        return high_edge - half
    return float(place[best])


def _crossing(
    place: np.ndarray, power: np.ndarray, low: int, high: int, level: float
) -> float | None:
    """Where the power passes a level between two neighbours; None beyond the ends."""
    if low < 0 or high >= len(place):
        return None
    share = (level - power[low]) / (power[high] - power[low])
    return float(place[low] + share * (place[high] - place[low]))

"""Find both edges of the plateau that the bench stands on, along any axis."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from autocell.belief.next_reading import information, most_telling
from autocell.belief.plateau import Plateau, Spread
from autocell.procedures.tuning import Tuning
from autocell.scan import Scan
from autocell.setting import Setting

Side = Literal["low", "high"]
SIDES: tuple[Side, Side] = ("low", "high")

_TRIES = 5
_SHARP_M = 2e-5
_SHARP_SHARE = 0.03
"""An edge is located to 20 µm, or to this share of the plateau where that is more."""

_NEAR_M = 3e-4
"""A reading this close to an edge of the spacing has seen it."""


EDGE_ROOM_M = 1e-4
"""So far within the ends of the spacing axis an edge must lie to be read on both of its sides."""


@dataclass(frozen=True)
class Edge:
    """One edge: where it was expected before any reading there, and where it was found.

    Places are those of the scan. ``beyond_reach`` marks an edge that the axis does not reach;
    ``found`` is then NaN.
    """

    side: Side
    expected: Spread
    found: Spread
    located: bool
    beyond_reach: bool = False

    @property
    def as_expected(self) -> bool:
        """Whether it was found, and where it was expected."""
        return self.located and self.expected.admits(self.found)


def locate_edge(tuning: Tuning, scan: Scan, side: Side) -> Edge:
    """Read near one edge until it is known sharply; the scan goes through a place on the plateau.

    It reads there at least once, however sure the belief is: what the belief expected is then a
    prediction that could have failed.
    """
    stage = f"{side} edge" if scan.axis.name == "spacing" else f"{scan.axis.name} {side} edge"
    expected = now = _edge(tuning.plateau_on(scan), side)
    for attempt in range(_TRIES):
        if np.isnan(now.value):  # no member has one: nowhere to look
            break
        if _beyond(scan, now, side):
            return Edge(side, expected, Spread.nowhere(), False, True)
        if attempt > 0 and _located(tuning, scan, now):
            break
        tuning.read_at(_where_to_look(tuning, scan, now, side), stage, f"looking for the {stage}")
        now = _edge(tuning.plateau_on(scan), side)
    return Edge(side, expected, now, _located(tuning, scan, now))


def still_there(tuning: Tuning, scan: Scan, edge: Edge) -> bool:
    """Whether an edge was found as expected, and the belief of now knows it as sharply, and at the
    same place. What a memory says of it may have been all that was known."""
    now = _edge(tuning.plateau_on(scan), edge.side)
    return edge.as_expected and _located(tuning, scan, now) and now.admits(edge.found)


def _edge(plateau: Plateau, side: Side) -> Spread:
    return plateau.low if side == "low" else plateau.high


def _beyond(scan: Scan, edge: Spread, side: Side) -> bool:
    """Whether the axis ends too close to an edge, or before it, to read on both of its sides."""
    room = EDGE_ROOM_M if scan.axis.name == "spacing" else 0.02 * (scan.high - scan.low)
    return not (edge.value > scan.low + room if side == "low" else edge.value < scan.high - room)


def _located(tuning: Tuning, scan: Scan, edge: Spread) -> bool:
    """Known sharply, and seen: with at least one reading close by."""
    width = 2.0 * abs(edge.value - scan.here)
    sharp, near = _SHARP_SHARE * width, 0.15 * width
    if scan.axis.name == "spacing":
        sharp, near = max(_SHARP_M, sharp), max(_NEAR_M, near)
    return edge.u <= sharp and any(
        abs(scan.place(reading.setting) - edge.value) < near for reading in tuning.belief.readings
    )


def _where_to_look(tuning: Tuning, scan: Scan, edge: Spread, side: Side) -> Setting:
    """The setting near the edge that tells most about where it is."""
    width = abs(edge.value - scan.here)
    spread = max(4.0 * edge.u, 2.5e-4 if scan.axis.name == "spacing" else 0.1 * width)
    candidates = scan.between(edge.value - spread, edge.value + spread, 31)
    power, sigma = tuning.predicted_power(candidates)
    plateau = tuning.plateau_on(scan)
    edges = (plateau.low_at if side == "low" else plateau.high_at)[: len(power)]
    known = np.isfinite(edges)
    if np.count_nonzero(known) < 20:
        return scan.at(edge.value)
    steps = np.quantile(edges[known], [0.2, 0.4, 0.6, 0.8])
    answers = np.searchsorted(steps, edges[known])
    told = information(power[known], sigma[known], answers)
    chosen = most_telling(candidates, told, lambda _: 1.0, floor=0.0)
    return scan.at(edge.value) if chosen is None else chosen

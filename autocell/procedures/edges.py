"""Find both edges of the plateau that the bench stands on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from autocell.belief.next_reading import information, most_telling
from autocell.belief.plateau import Spread
from autocell.procedures.tuning import Tuning
from autocell.setting import Setting

Side = Literal["low", "high"]
SIDES: tuple[Side, Side] = ("low", "high")

_TRIES = 5
_SHARP_M = 2e-5
_SHARP_SHARE = 0.03
"""An edge is located to 20 µm, or to this share of the plateau where that is more."""

_NEAR_M = 3e-4
"""A reading this close to an edge has seen it."""


@dataclass(frozen=True)
class Edge:
    """One edge: where it was expected before any reading there, and where it was found.

    ``beyond_stage`` marks an edge that the stage does not reach; ``found`` is then NaN.
    """

    side: Side
    expected: Spread
    found: Spread
    located: bool
    beyond_stage: bool = False

    @property
    def as_expected(self) -> bool:
        """Whether it was found, and where it was expected."""
        return self.located and self.expected.admits(self.found)


def locate_edge(tuning: Tuning, inside: Setting, side: Side) -> Edge:
    """Read near one edge until it is known sharply, starting from a setting on the plateau.

    It reads there at least once, however sure the belief is: what the belief expected is then a
    prediction that could have failed.
    """
    stage = f"{side} edge"
    expected = now = _edge(tuning, inside, side)
    for attempt in range(_TRIES):
        if _beyond(tuning, now, side):
            return Edge(side, expected, Spread.nowhere(), False, True)
        if attempt > 0 and _located(tuning, inside, now):
            break
        tuning.read_at(_where_to_look(tuning, now, inside, side), stage, f"looking for the {stage}")
        now = _edge(tuning, inside, side)
    return Edge(side, expected, now, _located(tuning, inside, now))


def still_there(tuning: Tuning, inside: Setting, edge: Edge) -> bool:
    """Whether an edge was found as expected, and the belief of now has it at the same place."""
    return edge.as_expected and _edge(tuning, inside, edge.side).admits(edge.found)


def _edge(tuning: Tuning, inside: Setting, side: Side) -> Spread:
    plateau = tuning.plateau_around(inside)
    return plateau.low if side == "low" else plateau.high


def _beyond(tuning: Tuning, edge: Spread, side: Side) -> bool:
    if side == "low":
        return not edge.value > tuning.low_m + 1e-4
    return not edge.value < tuning.high_m - 1e-4


def _located(tuning: Tuning, inside: Setting, edge: Spread) -> bool:
    """Known sharply, and seen: with at least one reading close by."""
    width = 2.0 * abs(edge.value - inside.spacing_m)
    sharp = edge.u <= max(_SHARP_M, _SHARP_SHARE * width)
    near = max(_NEAR_M, 0.15 * width)
    return sharp and any(
        abs(reading.setting.spacing_m - edge.value) < near
        and np.all(np.abs(reading.setting.as_array()[1:] - inside.as_array()[1:]) < 2e-5)
        for reading in tuning.belief.readings
    )


def _where_to_look(tuning: Tuning, edge: Spread, inside: Setting, side: Side) -> Setting:
    """The setting near the edge that tells most about where it is."""
    spread = max(4.0 * edge.u, 2.5e-4)
    candidates = tuning.settings(edge.value - spread, edge.value + spread, 31)
    power, sigma = tuning.predicted_power(candidates)
    plateau = tuning.plateau_around(inside)
    edges = (plateau.low_m if side == "low" else plateau.high_m)[: len(power)]
    known = np.isfinite(edges)
    if np.count_nonzero(known) < 20:
        return tuning.at(edge.value)
    steps = np.quantile(edges[known], [0.2, 0.4, 0.6, 0.8])
    answers = np.searchsorted(steps, edges[known])
    told = information(power[known], sigma[known], answers)
    chosen = most_telling(candidates, told, lambda _: 1.0, floor=0.0)
    return tuning.at(edge.value) if chosen is None else chosen

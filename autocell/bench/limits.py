"""Where axes may be sent. Arithmetic on what is described and believed of them: it asks no
controller, and sends nothing."""

from __future__ import annotations

from collections.abc import Sequence

from autocell.bench import first_moves
from autocell.bench.open_loop import OpenLoopAxes
from autocell.bench.plan import PlannedMove, trade
from autocell.bench.trust import TrustBook
from autocell.description import ROUNDING, AxisDescription, BenchDescription
from autocell.errors import LimitError, MotionError


class Limits:
    """Those of one bench: the ends of each axis and the minimum gap, scatter included, how far an
    axis may go at first, and how far around where its position was lost."""

    def __init__(
        self, description: BenchDescription, trust: TrustBook, open_loop: OpenLoopAxes
    ) -> None:
        self._description = description
        self._trust = trust
        self._open_loop = open_loop

    def check(self, moves: Sequence[PlannedMove]) -> None:
        """Raises LimitError when a leg of a move would leave the limits of its axis or the
        minimum gap, its scatter included."""
        for move in moves:
            for leg in move.legs:
                self.check_leg(move, leg)

    def check_leg(self, move: PlannedMove, leg: float) -> None:
        """Raises LimitError as :meth:`check` does, for one leg (m or rad) of a move."""
        axis = move.axis
        play = axis.repeatability + self._open_loop.may_miss(axis.name, leg)
        if not axis.low + play - ROUNDING <= leg <= axis.high - play + ROUNDING:
            raise LimitError(
                f"{axis.name}: from {trade(axis, move.start)} to {trade(axis, move.target)} would "
                f"be commanded to {trade(axis, leg)}; its limits are {_range(axis)}, less "
                f"{trade(axis, play)} that it scatters by{_steps(axis)}{_approach(move)}"
            )
        if axis.name != "spacing":
            return
        bench = self._description
        lowest_m = bench.spacing_at_zero_m + leg - play - bench.spacing_tolerance_m
        if lowest_m < bench.minimum_gap_m - ROUNDING:
            raise LimitError(
                f"{axis.name}: from {trade(axis, move.start)} to {trade(axis, move.target)} could "
                f"bring the mirrors to {lowest_m * 1e3:.4f} mm; the minimum gap is "
                f"{bench.minimum_gap_m * 1e3:g} mm (tolerance of the spacing and scatter "
                f"included){_approach(move)}"
            )

    def check_first_move(self, move: PlannedMove, leg: float, start: float) -> None:
        """Raises LimitError when a leg from ``start`` (m or rad) is longer than a first move may
        be, and nobody has seen one of this axis."""
        axis, short = move.axis, first_moves.longest(move.axis)
        if not self._trust.tried(axis.name) and abs(leg - start) > short + axis.repeatability:
            raise LimitError(
                f"{axis.name}: from {trade(axis, start)} to {trade(axis, leg)} is further than "
                f"{trade(axis, short)}, the longest first move of an axis: nobody has seen yet "
                "whether it goes the right way"
            )

    def check_trust(self, move: PlannedMove) -> None:
        """Raises MotionError when the position of the axis is lost, and the move would leave the
        neighbourhood of where it was."""
        name = move.axis.name
        allowed = self._trust.local_range(name)
        if allowed is None:
            return
        low, high = allowed
        if any(not low <= leg <= high for leg in move.legs):
            raise MotionError(
                f"{name}: its position is lost ({self._trust.why(name)}); it may be stopped, "
                f"homed, or moved between {trade(move.axis, low)} and {trade(move.axis, high)}, "
                f"not to {trade(move.axis, move.target)}"
            )


def _range(axis: AxisDescription) -> str:
    return f"{trade(axis, axis.low)} to {trade(axis, axis.high)}"


def _steps(axis: AxisDescription) -> str:
    return "" if axis.open_loop is None else ", and that its unequal steps may miss by"


def _approach(move: PlannedMove) -> str:
    if len(move.legs) == 1:
        return ""
    return f", and an approach from above needs {trade(move.axis, move.axis.overshoot)} below it"

"""Where each axis goes in a check of its positioning, planned before anything moves."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from autocell.bench.bench import Bench
from autocell.bench.first_moves import with_first_move
from autocell.bench.plan import PlannedMove, plan_move, plan_straight, trade
from autocell.description import AxisDescription, BenchDescription
from autocell.errors import UsageError

_PLACES = (0.0, 0.27, 0.49, 0.76, 1.0)
"""Of the targets on the way of an axis: not evenly, so that a periodic error does not hide (ISO
230-2 has a random part in each; from memory)."""

_SHARE = 0.02
"""Of its range: how far apart the outermost targets of an axis are, unless that is too short
beside what a reversal loses."""

_FEWEST, _MOST = 2, 10


@dataclass(frozen=True)
class Traverse:
    """The way of one axis in a check: its targets, upwards, m or rad, and the two places beyond
    them where it turns round; all of that ``cycles`` times."""

    axis: AxisDescription
    targets: tuple[float, ...]
    turn_low: float
    turn_high: float
    cycles: int

    def moves(self, start: float) -> Iterator[PlannedMove]:
        """Every move from ``start`` on, in order, and the way back there."""
        at, moves = start, [self.turn_low]
        for _ in range(self.cycles):
            moves += [*self.targets, self.turn_high, *reversed(self.targets), self.turn_low]
        for target in moves:
            move = plan_straight(self.axis, at, target)
            if move is not None:
                yield move
                at = target
        back = plan_move(self.axis, at, start, backlash_is_out=False)
        if back is not None:
            yield back


def open_loop_axes(bench: Bench, names: Iterable[str] = ()) -> list[str]:
    """Those of the named axes, or of all, that count their steps: they have no traverse."""
    axes = bench.description.axes
    return [name for name in (list(names) or axes) if name in axes and axes[name].open_loop]


def plan_traverses(bench: Bench, names: Iterable[str] = (), cycles: int = 3) -> list[Traverse]:
    """Where each of the named axes, or every one, would go, those that count their steps left out:
    the light leads them. It reads positions only.

    Raises UsageError for an axis that is not there or has no room, for too few or too many cycles,
    and when all together would need more than the bench file's caps allow.
    """
    description = bench.description
    chosen = list(names) or list(description.axes)
    for name in chosen:
        if name not in description.axes:
            raise UsageError(f"no axis {name!r}; there are: {', '.join(description.axes)}")
    if not _FEWEST <= cycles <= _MOST:
        raise UsageError(f"{cycles} cycles: a check has {_FEWEST} to {_MOST}")
    positions = bench.positions()
    traverses = [
        _traverse(description, name, positions[name], cycles)
        for name in chosen
        if description.axes[name].open_loop is None
    ]
    moves = [
        move for traverse in traverses for move in traverse.moves(positions[traverse.axis.name])
    ]
    legs, cap = sum(len(move.legs) for move in moves), description.caps.moves
    if legs > cap:
        raise UsageError(
            f"caps.moves: this check takes {legs} moves, and the bench file allows {cap}; check "
            "fewer axes at a time, or with fewer cycles"
        )
    return traverses


def traverse_moves(bench: Bench, traverses: Sequence[Traverse]) -> list[PlannedMove]:
    """Every move of these traverses, in order, with the first moves of axes that never made one."""
    positions, tried = bench.positions(), bench.tried()
    moves = []
    for traverse in traverses:
        name = traverse.axis.name
        for move in traverse.moves(positions[name]):
            moves.append(move if tried[name] else with_first_move(move))
            tried[name] = True
    return moves


def _traverse(description: BenchDescription, name: str, position: float, cycles: int) -> Traverse:
    axis = description.axes[name]
    turn = 3.0 * axis.backlash + 10.0 * axis.repeatability
    width = max(_SHARE * (axis.high - axis.low), 4.0 * turn)
    low, high = description.reach(name)
    low, high = low + turn, high - turn
    if not low <= high - width or not axis.low <= position <= axis.high:
        raise UsageError(
            f"{name}: a check needs {trade(axis, width + 2.0 * turn)} within what its limits and "
            f"the minimum gap leave, and stands at {trade(axis, position)}; widen the limits, or "
            "leave this axis out"
        )
    begin = min(max(position - 0.5 * width, low), high - width)
    targets = tuple(begin + place * width for place in _PLACES)
    return Traverse(axis, targets, begin - turn, begin + width + turn, cycles)

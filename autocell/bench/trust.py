"""How far the position of each axis can be believed, and why."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

from autocell.description import AxisDescription


class Trust(StrEnum):
    """Known: read back where it was sent. Estimated: the last move did not end as it should, but
    the counter went on counting. Lost: the counter no longer says where the axis is."""

    KNOWN = "known"
    ESTIMATED = "estimated"
    LOST = "lost"

    @property
    def rank(self) -> int:
        """Larger is better."""
        return {"lost": 0, "estimated": 1, "known": 2}[self.value]


@dataclass
class _Belief:
    trust: Trust
    why: str
    seen: float | None = None
    lost_at: float | None = None
    tried: bool = False


class TrustBook:
    """Trust of every axis. It falls by itself; it rises only for a cause that is named.

    A position that changed although nothing was sent means that the counter is not to be
    believed: typically the controller was switched off and counts from zero again.
    """

    LOCAL_SEARCH = 0.01
    """Share of its range that an axis may search when its position is lost."""

    def __init__(self, axes: Iterable[AxisDescription]) -> None:
        self._axes = {axis.name: axis for axis in axes}
        self._beliefs = {name: _Belief(Trust.KNOWN, "read at opening") for name in self._axes}

    def trust(self, name: str) -> Trust:
        """How far this axis is believed."""
        return self._beliefs[name].trust

    def why(self, name: str) -> str:
        """What made it so."""
        return self._beliefs[name].why

    def lost_in_words(self, name: str, why: str | None = None) -> str:
        """That the position of an axis is lost, why, and what restores it: a controller finds its
        reference again, but of an axis that counts steps nobody knows who does not look."""
        cure = (
            "look at the bench, then home the axis at its controller before anything moves it"
            if self._axes[name].open_loop is None
            else "look where it stands, and say 'autocell accept'"
        )
        return f"{name}: its position is lost: {why or self.why(name)}; {cure}"

    def seen(self, name: str, position: float, *, moved: bool) -> bool:
        """Take note of a read-back. ``moved`` says that the axis had reason to be elsewhere than
        before. Whether the position is one the axis can have come to."""
        axis, belief = self._axes[name], self._beliefs[name]
        stayed = self.stayed(name, position)
        before, belief.seen = belief.seen, position
        if moved or before is None or stayed:
            return True
        self.lower(
            name,
            Trust.LOST,
            f"it went from {before * 1e3:.4f} to {position * 1e3:.4f} {axis.unit} "
            "although nothing was sent",
        )
        return False

    def tried(self, name: str) -> bool:
        """Whether a first move of this axis was seen to go the right way and as far as asked, and
        its position was not lost since."""
        return self._beliefs[name].tried

    def found_right(self, name: str) -> None:
        """A first move has shown sign and scale, now or in an earlier run."""
        belief = self._beliefs[name]
        belief.tried = belief.trust is not Trust.LOST

    def stayed(self, name: str, position: float) -> bool:
        """Whether this read-back is where the axis was last seen, if it was."""
        before = self._beliefs[name].seen
        return before is None or abs(position - before) <= self.tolerance(name)

    def tolerance(self, name: str) -> float:
        """How far a resting axis may appear to move, m or rad."""
        return self._axes[name].play

    def last_seen(self, name: str) -> float:
        """The last position read; raises KeyError before there is one."""
        seen = self._beliefs[name].seen
        if seen is None:
            raise KeyError(name)
        return seen

    def lower(self, name: str, trust: Trust, why: str) -> None:
        """Believe an axis less; never more."""
        belief = self._beliefs[name]
        if trust.rank < belief.trust.rank:
            belief.trust, belief.why = trust, why
            belief.lost_at = belief.seen if trust is Trust.LOST else None
            belief.tried &= trust is not Trust.LOST

    def arrived(self, name: str) -> None:
        """An approach ended where it was sent: what was estimated is known again. What is lost
        stays lost, since the counter agrees with itself wherever it starts from; for the same
        reason an open-loop axis is never known better for its own count."""
        belief = self._beliefs[name]
        if belief.trust is Trust.ESTIMATED and self._axes[name].open_loop is None:
            belief.trust, belief.why = Trust.KNOWN, "arrived where it was sent"

    def decayed(self, name: str, u: float) -> None:
        """The steps of an open-loop axis have left its position with this standard uncertainty, m
        or rad: where that is more than a resting axis may appear to move, it is estimated."""
        if u > self.tolerance(name):
            unit = self._axes[name].unit
            self.lower(
                name,
                Trust.ESTIMATED,
                f"by its travel its steps may have left it elsewhere, standard uncertainty "
                f"{u * 1e3:.4f} {unit}",
            )

    def restore(self, name: str, cause: str) -> None:
        """Believe an axis again, because it was homed or the light says so. One that was lost has
        its first move to make again."""
        before = self._beliefs[name]
        self._beliefs[name] = _Belief(Trust.KNOWN, cause, before.seen, tried=before.tried)

    def local_range(self, name: str) -> tuple[float, float] | None:
        """Where an axis may be sent: None for anywhere, else the bounds of a local search."""
        belief, axis = self._beliefs[name], self._axes[name]
        if belief.trust is not Trust.LOST:
            return None
        around = belief.lost_at if belief.lost_at is not None else belief.seen
        if around is None:
            return (0.0, 0.0)
        reach = self.LOCAL_SEARCH * (axis.high - axis.low)
        return (around - reach, around + reach)

"""Waiting for a time of day, with an eye on the clock on the wall: somebody may set it."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, tzinfo

from autocell.programme.wall import Wall

_SLICE_S = 30.0
"""The longest wait without a look at the clock on the wall."""

_JUMP_S = 60.0
"""A clock that is kept right by the network is slewed, or put right by less."""


class Waiting:
    """Waits in slices: each looks at the clock on the wall, shows that we are alive, and tells of
    a clock that was set. ``zone`` is that of the times that are told."""

    def __init__(
        self,
        wall: Wall,
        zone: tzinfo,
        alive: Callable[[str], None],
        tell: Callable[[str], None],
    ) -> None:
        self._wall = wall
        self._zone = zone
        self._alive = alive
        self._tell = tell
        self._ahead_s = self._ahead()

    def until(self, then: datetime, why: str) -> None:
        """Wait until the clock on the wall shows ``then``, however it gets there."""
        local = then.astimezone(self._zone)
        self._look()
        while (left_s := (then - self._wall.utc()).total_seconds()) > 0.0:
            self._alive(f"waiting until {local:%Y-%m-%d %H:%M}: {why}")
            self._wall.sleep(min(left_s, _SLICE_S))
            self._look()

    def _look(self) -> None:
        """Tell of a clock that was set since the last look."""
        before_s, self._ahead_s = self._ahead_s, self._ahead()
        jump_s = self._ahead_s - before_s
        if abs(jump_s) <= _JUMP_S:
            return
        now = self._wall.utc().astimezone(self._zone)
        way = "forward" if jump_s > 0.0 else "back"
        slept = ", unless this machine has slept" if jump_s > 0.0 else ""
        self._tell(
            f"The clock of this machine was set {way} by {abs(jump_s) / 60:.1f} min{slept}: it "
            f"shows {now:%Y-%m-%d %H:%M %Z}. Times of the programme are those that it shows."
        )

    def _ahead(self) -> float:
        """By how much the clock on the wall is ahead of one that nobody can set, s."""
        return self._wall.utc().timestamp() - self._wall.steady_s()

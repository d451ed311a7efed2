"""A line to a plain-motion controller with somebody who looks at what leaves."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from autocell.bench.protocols import Transport


class WatchedLine:
    """``moves`` is told of each move as it leaves, ``stops`` of the channel of each stop that has
    left: one that a line did not take has not."""

    def __init__(
        self, inner: Transport, moves: Callable[[str], None], stops: Callable[[str], None]
    ) -> None:
        self._inner = inner
        self._moves = moves
        self._stops = stops

    def write(self, message: bytes) -> None:
        if b" MA " in message or b" MR " in message:
            self._moves(message.decode().strip())
        self._inner.write(message)
        if message.endswith(b" SP\r"):
            self._stops(message.decode().split()[0])

    def __getattr__(self, name: str) -> Any:
        return getattr(self._inner, name)

"""The way back after an instrument has failed: once it answers again, what was moved is moved
back; where it does not, every axis is told to stop and stays where it is."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Generic, TypeVar

from autocell.bench.bench import Bench
from autocell.errors import (
    AutocellError,
    DeviceError,
    MotionError,
    NoReply,
    StoreError,
    WrongIdentity,
)
from autocell.procedures.arrival import apart
from autocell.setting import Setting

T = TypeVar("T")

_PATIENCE_S = 60.0
"""How long an instrument that has failed is waited for: as long as a line that has gone."""

_BETWEEN_S = 2.0

_PIECE_S = 0.25
"""Of that wait: how long a stop that is asked for meanwhile goes unseen."""

_ATTEMPTS = 3
"""How often an axis may stick on the way back: one that does now and then comes with the second."""


@dataclass(frozen=True)
class WayBack(Generic[T]):
    """How it went. ``trouble`` is what kept the axes from going back, ``unread`` what kept the
    light there from being read; ``seen`` is what was read. ``words`` begin where a sentence about
    what had happened ends."""

    words: str
    trouble: AutocellError | None = None
    unread: AutocellError | None = None
    seen: T | None = None


def way_back(
    bench: Bench,
    to: Setting,
    where: str,
    look: Callable[[], T],
    *,
    purpose: str,
    failed: DeviceError,
) -> WayBack[T]:
    """Bring the axes back to ``to``, and ``look`` there, on the reserve.

    ``failed`` is what an instrument has just done: every axis is told to stop before anything else.
    What fails is waited for and tried again, until it has had a minute. Nothing moves while an axis
    does not confirm its stop, or once a position is lost or a line leads to another instrument.
    ``where`` names the place in words. When the axes did not get there every axis was told to stop,
    and nothing moves any more; a run that has moved nothing waits for no instrument. Raises Stopped
    and StoreError only.
    """
    if bench.usage.moves == 0:
        return WayBack(_stopped("nothing had been moved", bench), failed)
    again = _Again(bench)

    def go() -> None:
        _refuse_unsafe(bench)
        if apart(bench.setting, to):
            bench.move_to(to, purpose)

    with bench.reserve():
        if (trouble := again.until_done(go)[1]) is not None:
            story = f"what was moved is not moved back: {trouble}"
            return WayBack(_stopped(story, bench), trouble)
        seen, unread = again.until_done(look)
    if unread is not None:
        return WayBack(f"back {where}, where it could not be read: {unread}", unread=unread)
    return WayBack(f"back {where}", seen=seen)


class _Again:
    """Does things again that an instrument has failed, within one minute for all of them."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self._until_s = bench.time_s + _PATIENCE_S

    def until_done(self, act: Callable[[], T]) -> tuple[T | None, AutocellError | None]:
        """What came of it, or what it failed of in the end. Raises Stopped."""
        sticks = 0
        while True:
            try:
                self._halt()
                return act(), None
            except DeviceError as error:
                self._bench.raise_if_stopped()
                sticks += isinstance(error, MotionError)
                if sticks == _ATTEMPTS or self._is_hopeless(error):
                    return None, error
            except StoreError:
                raise
            except AutocellError as error:
                return None, error
            self._wait()

    def _wait(self) -> None:
        """Before the next attempt; in pieces, so that a stop is seen in time."""
        for _ in range(round(_BETWEEN_S / _PIECE_S)):
            self._bench.clock.sleep(_PIECE_S)
            self._bench.raise_if_stopped()

    def _halt(self) -> None:
        """Have every axis stop. Raises NoReply while one is not known to rest."""
        failures = self._bench.halt()
        if failures:
            why = "; ".join(dict.fromkeys(map(str, failures.values())))
            raise NoReply(f"{', '.join(failures)} may still move: {why}")

    def _is_hopeless(self, error: DeviceError) -> bool:
        late = self._bench.time_s >= self._until_s
        return late or isinstance(error, WrongIdentity) or bool(self._bench.lost())


def _refuse_unsafe(bench: Bench) -> None:
    """Raises MotionError when an axis, or its controller, no longer knows where it is."""
    bench.check_references()
    bench.refuse_lost_axes()


def _stopped(words: str, bench: Bench) -> str:
    """Stop everything for good, and say so."""
    silent = bench.stop()
    unsure = ", which not all of them confirmed" if silent else ""
    return f"{words}; every axis was told to stop{unsure}"

"""Who has the floor on a line that one thread talks on, and any other may have to stop."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from autocell.errors import Stopped

_MANNERS_S = 0.15
"""How long a thread waits for another to end what it is writing or reading. One that is interrupted
looks up twenty times a second; a stop waits no longer for one that hangs."""


class _Mine(threading.local):
    """What a thread is at: ``since`` how many stops its ordinary call was begun, None outside one;
    and whether it is stopping."""

    since: int | None = None
    stops = False


class Floor:
    """Lets a stop in between the bytes of nothing, and has it answered to nobody else.

    A stop takes the floor from whoever has it: an ordinary call that another thread is in the
    middle of sends nothing any more, not the move that it was about to send either, and raises
    Stopped. ``interrupt`` has a thread that waits for bytes look up.
    """

    def __init__(self, interrupt: Callable[[], None]) -> None:
        self._interrupt = interrupt
        self._stops = 0
        self._stopping = 0
        self._mine = _Mine()
        self._counting = threading.RLock()  # a signal may stop in the middle of a stop
        self._writing, self._reading = threading.RLock(), threading.RLock()

    @contextmanager
    def kept(self) -> Iterator[None]:
        """Within this the thread makes an ordinary call. Raises Stopped while another stops."""
        mine = self._mine
        if mine.stops or mine.since is not None:
            yield
            return
        if self._stopping:
            raise _taken()
        mine.since = self._stops
        try:
            yield
        finally:
            mine.since = None

    @contextmanager
    def taken(self) -> Iterator[None]:
        """Within this the thread stops what moves, and nobody interrupts it."""
        mine = self._mine
        before, mine.stops = mine.stops, True
        with self._counting:
            self._stops += 1
            self._stopping += 1
        try:
            self._interrupt()
            yield
        finally:
            mine.stops = before
            with self._counting:
                self._stopping -= 1

    def check(self) -> None:
        """Raises Stopped in an ordinary call from which the floor was taken."""
        mine = self._mine
        if not mine.stops and mine.since is not None and mine.since != self._stops:
            raise _taken()

    @contextmanager
    def writing(self) -> Iterator[None]:
        """Within this no other thread's bytes get in between."""
        with _held(self._writing):
            self.check()
            yield

    @contextmanager
    def reading(self) -> Iterator[None]:
        """Within this no other thread reads what is meant for this one."""
        with _held(self._reading):
            self.check()
            try:
                yield
            finally:
                self.check()  # also when nothing came: this may be why


@contextmanager
def _held(lock: threading.RLock) -> Iterator[None]:
    mine = lock.acquire(timeout=_MANNERS_S)
    try:
        yield
    finally:
        if mine:
            lock.release()


def _taken() -> Stopped:
    return Stopped("another thread stops what moves on this line")

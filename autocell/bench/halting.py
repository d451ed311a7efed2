"""Tells axes to stop, and remembers that a stop was asked for until somebody clears it. What other
threads than the one that moves ask of the guard is here."""

from __future__ import annotations

import threading
from collections.abc import Callable, Collection, Iterable, Mapping
from contextlib import suppress

from autocell.bench.flag import Flag
from autocell.bench.protocols import Axis, SendsStop
from autocell.bench.trust import Trust, TrustBook
from autocell.description import BenchDescription
from autocell.errors import Stopped

Turns = Mapping[str, threading.RLock]
"""By device: who has it tells that device's axes to stop. Two stops on one line at once would read
each other's replies, and call axes silent that have stopped."""

_TURN_S = 10.0
"""How long a stop waits for its turn: a line confirms one or is given up sooner, mostly. After that
the axes are told all the same. [trade]"""


def turns_of(description: BenchDescription) -> Turns:
    """Turns on the lines of one bench, all free.

    A signal may break off whoever has one between taking it and seeing to its return; that thread
    can take it again.
    """
    return {axis.device: threading.RLock() for axis in description.axes.values()}


def _never() -> bool:
    """Stop all of them."""
    return False


class Halting:
    """Stops the axes of one bench. ``axes`` and ``under_way`` are those of the guard, which keeps
    them; ``tell`` writes an event down, by its kind and in words.

    To halt is to stop axes and let moves follow; after a stop nothing moves until it is cleared.
    """

    def __init__(
        self,
        description: BenchDescription,
        axes: Mapping[str, Axis],
        under_way: Collection[str],
        trust: TrustBook,
        tell: Callable[[str, str], None],
    ) -> None:
        self._description = description
        self._axes = axes
        self._under_way = under_way
        self._trust = trust
        self._tell = tell
        self._turns = turns_of(description)
        self._asked = Flag()
        self._begun = Flag()
        self._every_axis_told = Flag()
        self._unconfirmed: dict[str, Exception] = {}

    def halt(self, names: Iterable[str], *, until_asked: bool = False) -> dict[str, Exception]:
        """As :func:`stop_together`. With ``until_asked`` no more of them once a stop is asked for:
        whoever then raises Stopped has all of them told."""
        self._begun.set()
        axes = {name: self._axes[name] for name in names}
        enough = self._asked.is_set if until_asked else _never
        return stop_together(self._description, axes, self._turns, enough)

    def halted(self) -> None:
        """Halting is over, however it went: whoever asks for a stop now finds none begun."""
        self._begun.clear()

    def request_stop(self) -> None:
        """Ask for a stop from any thread: the next poll stops the axes and raises Stopped."""
        self._asked.set()

    def stop_all(self) -> dict[str, Exception]:
        """Stop every axis now and refuse every move until :meth:`clear_stop`; who raised what.

        From any thread: those that stop at the same time take turns on each line.
        """
        self._asked.set()
        failures = self.halt(self._axes)
        for name in self._axes:
            if name in self._under_way or name in failures:
                self._trust.lower(name, Trust.ESTIMATED, "it was stopped on its way")
        self._unconfirmed = failures
        self._every_axis_told.set()
        self._tell("stop", _stop_story(failures))
        return failures

    def stop_begun(self, within_s: float) -> bool:
        """Wait, in another thread, until whoever moves has begun to stop the axes."""
        return self._begun.wait(within_s)

    def stop_told(self, within_s: float) -> dict[str, Exception] | None:
        """Wait, in another thread, until every axis was told to stop; who raised what, or None
        when that has not happened ``within_s``."""
        return self._unconfirmed if self._every_axis_told.wait(within_s) else None

    def clear_stop(self) -> None:
        """Allow moves again, on a human's or a procedure's explicit word."""
        self._asked.clear()
        self._begun.clear()
        self._every_axis_told.clear()
        self._tell("stop", "cleared: moves are allowed again")

    def raise_if_stopped(self) -> None:
        """Raises Stopped after a stop was asked for."""
        if self._asked.is_set():
            raise Stopped("a stop was asked for; nothing moves until it is cleared")


def stop_together(
    description: BenchDescription,
    axes: Mapping[str, Axis],
    turns: Turns,
    enough: Callable[[], bool] = _never,
) -> dict[str, Exception]:
    """Tell axes to stop, each of them even when another raises; who raised what.

    Those of different devices are told at the same time, so that a silent one delays none. Where
    several are on one device, each that :class:`SendsStop` is told before the first has to confirm
    it. On each device whose turn it is: see :data:`Turns`. Once there is ``enough``, no more.
    """
    by_device: dict[str, list[str]] = {}
    for name in axes:
        by_device.setdefault(description.axes[name].device, []).append(name)
    failures: dict[str, Exception] = {}
    if not by_device:
        return failures

    def send(group: list[str]) -> None:
        for name in group:
            axis = axes[name]
            if isinstance(axis, SendsStop) and not enough():
                with suppress(Exception):  # what is wrong its confirmation will say
                    axis.send_stop()

    def tell(device: str, group: list[str]) -> None:
        mine = turns[device].acquire(timeout=_TURN_S)
        try:
            tell_each(group)
        finally:
            if mine:
                turns[device].release()

    def tell_each(group: list[str]) -> None:
        if len(group) > 1:
            send(group)
        for name in group:
            if enough():
                return
            try:
                axes[name].stop()
            except Exception as error:
                failures[name] = error

    first, *others = by_device.items()
    threads = [threading.Thread(target=tell, args=other, daemon=True) for other in others]
    for thread in threads:
        thread.start()
    tell(*first)
    for thread in threads:
        thread.join()
    return failures


def _stop_story(failures: Mapping[str, Exception]) -> str:
    if not failures:
        return "every axis was told to stop"
    silent = "; ".join(f"{name}: {error}" for name, error in failures.items())
    return f"every axis was told to stop, but not all confirmed it: {silent}"

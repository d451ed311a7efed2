"""Somebody's own Python: five screws and a photodiode, which tell whoever asks of each call."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager

from autocell_drivers.python_object import AxisFunctions, Instrument, MeterFunctions

_listeners: list[Callable[[bytes], None]] = []
_answers = threading.Event()
_answers.set()


@contextmanager
def telling(listener: Callable[[bytes], None]) -> Iterator[None]:
    """Within this, ``listener`` is told of each call as it is made."""
    _listeners.append(listener)
    yield
    _listeners.remove(listener)


@contextmanager
def silent_when_asked() -> Iterator[Callable[[], AbstractContextManager[None]]]:
    """Something within which what is read does not return. What moves and stops does."""

    @contextmanager
    def silent() -> Iterator[None]:
        _answers.clear()
        try:
            yield
        finally:
            _answers.set()

    yield silent


def _called(what: str) -> None:
    for listener in _listeners:
        listener(what.encode())


class Screw:
    """Goes to where it is sent at 20 units a second, and blocks until it is there."""

    def __init__(self, number: int, at: float) -> None:
        self.number = number
        self.at = at
        self.halted = threading.Event()

    def position(self) -> float:
        _called(f"position {self.number}")
        _answers.wait()
        return self.at

    def move(self, target: float) -> None:
        _called(f"move {self.number}")
        self.halted.clear()
        while self.at != target and not self.halted.wait(0.002):
            self.at += max(-0.04, min(0.04, target - self.at))

    def halt(self) -> None:
        _called(f"halt {self.number}")
        self.halted.set()

    def functions(self, unit: str) -> AxisFunctions:
        return AxisFunctions(self.position, self.move, self.halt, unit=unit)


def photodiode() -> float:
    _called("read")
    _answers.wait()
    return 1.0 + 1e-3 * time.monotonic() % 1e-3


def open_it() -> Instrument:
    screws = {n: Screw(n, 40.0 if n == 1 else 0.0) for n in range(1, 6)}
    return Instrument(
        "LAB 7",
        axes={n: s.functions("mrad" if n in (2, 3) else "mm") for n, s in screws.items()},
        meters={1: MeterFunctions(photodiode, unit="mW")},
    )

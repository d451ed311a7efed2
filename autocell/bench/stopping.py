"""Turns the operator's interrupt into a stop."""

from __future__ import annotations

import signal
import sys
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from types import FrameType

from autocell.bench.flag import Flag
from autocell.errors import Stopped, ToldToEnd

_NAMES = ("SIGINT", "SIGTERM", "SIGHUP")  # the last where a terminal can hang up
_BY_HAND = "SIGINT"
"""What a person at the terminal sends. The others come from whatever ends processes: a service
manager, a machine that shuts down, a terminal that is closed."""

_remembered = Flag()
_SIGNALS = tuple(getattr(signal, name) for name in _NAMES if hasattr(signal, name))


class Interrupts:
    """What becomes of interrupts: the first raises Stopped, later ones are ignored.

    Python may run a signal handler inside a finaliser or a callback, where whatever it raises is
    lost. What must not be lost is therefore also told to whoever asked with :meth:`tell`.
    """

    def __init__(self) -> None:
        self._asked = False
        self._came = False
        self._told_to_end = False
        self._unheeded: int | None = None
        self._delivered = False
        self._lock = threading.Lock()
        self._by: str | None = None
        self._listener: Callable[[], None] = _nobody
        self._holding = False
        self._held: Stopped | None = None

    def receive(self, number: int, _frame: FrameType | None) -> None:
        """Handle one signal."""
        if self._asked:
            if not self._came:
                self._unheeded = number
            return
        self._asked = self._came = True
        name = signal.Signals(number).name
        self._told_to_end = self._by is None and name != _BY_HAND
        self._listener()
        kind = ToldToEnd if self._told_to_end else Stopped
        stopped = kind(f"stopped by {self._by or name}")
        if self._holding:
            self._held = stopped
            return
        raise stopped

    def ask(self, by: str) -> bool:
        """From another thread: interrupt the main thread, whatever it waits for, in the name of
        ``by``. Outside the main thread the listener is told, and nobody else. False once nothing
        is left to stop."""
        with self._lock:
            if self._asked:
                return False
            self._by = by
            if not self._delivered:
                self._asked = self._came = True
                self._listener()
                return True
            signal.pthread_kill(threading.main_thread().ident or 0, signal.SIGTERM)
            return True

    @property
    def told_to_end(self) -> bool:
        """Whether what came was a signal that ends processes, and nobody's stop."""
        return self._told_to_end

    @contextmanager
    def held(self) -> Iterator[None]:
        """Within this an interrupt waits; it raises Stopped at the end."""
        self._holding = True
        try:
            yield
        finally:
            self._holding = False
        if self._held is not None:
            held, self._held = self._held, None
            raise held

    def tell(self, listener: Callable[[], None]) -> None:
        """Call ``listener`` when an interrupt comes, and now if one has come already.

        Meant for :meth:`autocell.bench.bench.Bench.request_stop`, after which nothing moves or
        reads any more.
        """
        self._listener = listener
        if self._asked:
            listener()

    @contextmanager
    def delivered(self) -> Iterator[None]:
        """Within this the signals of this process come here."""
        before = {
            number: signal.signal(number, self.receive)
            for number in _SIGNALS
            if not _meant_to_outlive_its_terminal(number)
        }
        self._delivered = True
        try:
            yield
        finally:
            self.ignore()
            with self._lock:
                self._delivered = False
                # What was sent a moment ago arrives with the next system call: here, and not when
                # it would end the process. (Windows delivers without a mask.)
                if hasattr(signal, "pthread_sigmask"):
                    signal.pthread_sigmask(signal.SIG_BLOCK, [])
            for number, handler in before.items():
                signal.signal(number, handler)
        self._pass_on(before)

    def _pass_on(self, before: Mapping[int, object]) -> None:
        """A signal that came when nothing was left to stop here stops what goes on around this."""
        around = getattr(before.get(self._unheeded or 0), "__self__", None)
        if isinstance(around, Interrupts) and self._unheeded is not None:
            around.receive(self._unheeded, None)

    def ignore(self) -> None:
        """From now on nothing is left that an interrupt should stop."""
        self._asked = True


@contextmanager
def remember_interrupts() -> Iterator[None]:
    """Within this SIGINT raises KeyboardInterrupt as usual, and is remembered: should that be
    lost, :func:`stop_on_signals` raises Stopped before anything is opened."""
    _remembered.clear()
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def remember(_number: int, _frame: FrameType | None) -> None:
        _remembered.set()
        raise KeyboardInterrupt

    before = signal.signal(signal.SIGINT, remember)
    try:
        with _no_traceback_of_lost_interrupts():
            yield
    finally:
        signal.signal(signal.SIGINT, before)
        _remembered.clear()


class KeptInterrupts:
    """Whether a SIGINT came while :func:`keep_interrupts` kept it."""

    came = False

    def deliver(self) -> None:
        """Raise KeyboardInterrupt if one came."""
        if self.came:
            raise KeyboardInterrupt


@contextmanager
def keep_interrupts() -> Iterator[KeptInterrupts]:
    """Within this the first SIGINT waits until it is delivered; the second goes through.

    For the seconds in which a command loads what it needs to say how to go on. Outside the main
    thread, where Python delivers no signals, it changes nothing.
    """
    kept = KeptInterrupts()
    if threading.current_thread() is not threading.main_thread():
        yield kept
        return

    def keep(_number: int, _frame: FrameType | None) -> None:
        if kept.came:
            raise KeyboardInterrupt
        kept.came = True

    before = signal.signal(signal.SIGINT, keep)
    try:
        yield kept
    finally:
        signal.signal(signal.SIGINT, before)


@contextmanager
def _no_traceback_of_lost_interrupts() -> Iterator[None]:
    """An interrupt that Python had to drop is dealt with elsewhere; nobody needs its traceback."""
    before = sys.unraisablehook

    def quiet(lost: sys.UnraisableHookArgs) -> None:
        if not issubclass(lost.exc_type, (Stopped, KeyboardInterrupt)):
            before(lost)

    sys.unraisablehook = quiet
    try:
        yield
    finally:
        sys.unraisablehook = before


def _nobody() -> None:
    """Nobody wants to know of an interrupt yet."""


def _meant_to_outlive_its_terminal(number: signal.Signals) -> bool:
    """Whether somebody started this with the hang-up ignored, as nohup does."""
    return number.name == "SIGHUP" and signal.getsignal(number) is signal.SIG_IGN


@contextmanager
def stop_on_signals() -> Iterator[Interrupts]:
    """Within this, the first SIGINT, SIGTERM or SIGHUP raises Stopped in the main thread.

    Put it around :func:`autocell.bench.opening.open_bench`, which stops every axis when Stopped
    passes through. Further signals are ignored until this ends: a stop that the first one breaks
    off, because it was already under way for another reason, can be made again in peace. Outside
    the main thread, where Python delivers no signals, it changes nothing.
    """
    interrupts = Interrupts()
    if threading.current_thread() is not threading.main_thread():
        yield interrupts
        return
    if _remembered.is_set():
        raise Stopped("stopped by SIGINT")
    with interrupts.delivered(), _no_traceback_of_lost_interrupts():
        yield interrupts

"""Calls of functions that nobody here wrote: each has a deadline, and its errors become ours."""

from __future__ import annotations

import contextlib
import queue
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Generic, TypeVar

from autocell.errors import AutocellError, Disconnected, NoReply, Refused

T = TypeVar("T")


@dataclass
class Call(Generic[T]):
    """A call under way, on another thread."""

    what: str
    function: Callable[..., T]
    arguments: tuple[Any, ...]
    _ended: threading.Event = field(default_factory=threading.Event)
    _result: T | None = None
    _error: BaseException | None = None

    def run(self) -> None:
        """Make the call, and keep what comes of it."""
        try:
            self._result = self.function(*self.arguments)
        # whatever it raises belongs to whoever waits for it, on another thread
        except BaseException as error:
            self._error = error
        self._ended.set()

    def ended(self, within_s: float = 0.0) -> bool:
        """Wait for the end; whether it came."""
        return self._ended.wait(within_s)

    def result(self) -> T:
        """What an ended call returned. Raises Refused, NoReply or Disconnected for its error."""
        if self._error is not None:
            raise _as_ours(self.what, self._error) from self._error
        return self._result  # type: ignore[return-value]


class Caller:
    """Makes calls one after the other on a thread of its own, which some libraries insist on.

    The wait for a call is in real time, whatever clock the bench has.
    """

    def __init__(self, name: str, call_s: float) -> None:
        self._call_s = call_s
        self._calls: queue.SimpleQueue[Call[Any] | None] = queue.SimpleQueue()
        self._thread = threading.Thread(target=self._work, name=f"calls of {name}", daemon=True)
        self._thread.start()

    def __call__(
        self, what: str, function: Callable[..., T], *arguments: Any, within_s: float = 0.0
    ) -> T:
        """What the function returns. Raises NoReply when it does not return in time, or when one
        before it still has not; Refused or another error of ours for what it raises."""
        call = Call(what, function, arguments)
        self._calls.put(call)
        return _result_of(call, max(within_s, self._call_s))

    def beside(self, what: str, function: Callable[..., T], *arguments: Any) -> Call[T]:
        """Start a call on another thread, for one that takes long or must not wait for others."""
        call = Call(what, function, arguments)
        threading.Thread(target=call.run, name=what, daemon=True).start()
        return call

    def wait_for(self, call: Call[T]) -> T:
        """What a call that was started beside others returns. Raises as a call does."""
        return _result_of(call, self._call_s)

    def end(self) -> None:
        """Let go of the thread, once it has done what it was told."""
        self._calls.put(None)

    def _work(self) -> None:
        while (call := self._calls.get()) is not None:
            call.run()


def _result_of(call: Call[T], within_s: float) -> T:
    if not call.ended(within_s):
        raise NoReply(f"{call.what} has not returned within {within_s:g} s")
    return call.result()


def _as_ours(what: str, error: BaseException) -> AutocellError:
    if isinstance(error, AutocellError):
        return error
    text = f"{what}: {type(error).__name__}"
    with contextlib.suppress(Exception):  # also the text of an error is somebody else's code
        text += f": {error}" if str(error) else ""
    if isinstance(error, TimeoutError):
        return NoReply(text)
    if isinstance(error, ConnectionError):
        return Disconnected(text)
    return Refused(text)

"""One who is told: what was told last, what still waits to be delivered, and the thread that does.

All of it is on disk, so that the end of a process makes nobody miss what became of a night. A
process that ends between a delivery and the note of it has the next one deliver it twice.
"""

from __future__ import annotations

import json
import threading
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from autocell.errors import AutocellError
from autocell.notices.senders import Notice, Sender
from autocell.outcome import Outcome, Verdict
from autocell.whole_file import put

_MOST_WAITING = 50


@dataclass(frozen=True)
class Told:
    """The verdict that was told last, or waits to be, and how often it came in a row; None before
    the first. ``run`` is the last run that was counted. Those who ``wait`` are told in order."""

    verdict: Verdict | None = None
    times: int = 0
    run: str | None = None
    waiting: tuple[Notice, ...] = ()

    @classmethod
    def from_json(cls, text: str) -> Told:
        """What :meth:`as_json` made. Raises ValueError."""
        try:
            plain: dict[str, Any] = json.loads(text)
            verdict = plain["verdict"]
            return cls(
                None if verdict is None else Verdict(verdict),
                int(plain["times"]),
                plain["run"],
                tuple(Notice(**notice) for notice in plain["waiting"]),
            )
        except (KeyError, TypeError) as error:
            raise ValueError(f"not what was told: {error}") from error

    def as_json(self) -> str:
        """As text."""
        return json.dumps(asdict(self), indent=1)


Words = Callable[[Outcome, Told], Notice]


class Listener:
    """Whom one sender reaches.

    ``memory`` is the folder whose file, named after the kind of sender, keeps what was told; None
    to forget it. Nothing here raises: trouble with a notice must not end a night.
    """

    def __init__(self, sender: Sender, memory: Path | None, tell: Callable[[str], None]) -> None:
        self._sender = sender
        self._kind = type(sender).__name__.lower()
        self._file = None if memory is None else memory / f"{self._kind}.json"
        self._tell = tell
        self._complaints: dict[str, str] = {}  # the last of each kind
        self._lock = threading.RLock()  # of all below; never held while something is sent
        self._thread: threading.Thread | None = None
        self._wanted = False
        self._told = self._recalled()

    @property
    def undelivered(self) -> int:
        """How many notices wait."""
        return 0 if self._told is None else len(self._told.waiting)

    def count(self, outcome: Outcome, words: Words) -> None:
        """Have an outcome told in these words if its verdict is news."""
        with self._lock:
            told = self._told or Told()
            run = outcome.run or told.run
            if outcome.verdict is told.verdict:
                self._keep(replace(told, times=told.times + 1, run=run))
                return
            waiting = (*told.waiting, words(outcome, told))[-_MOST_WAITING:]
            self._keep(Told(outcome.verdict, 1, run, waiting))

    def catch_up(self, last: Outcome | None, words: Words) -> None:
        """Count the last outcome of a process before this one, unless it did so itself."""
        run = None if last is None else last.run
        if self._told is None:
            self._keep(Told(run=run))
        elif last is not None and run != self._told.run:
            self.count(last, words)

    def start(self) -> None:
        """Begin to deliver what waits, in a thread."""
        with self._lock:
            self._wanted = True
            if self._thread is None and self.undelivered:
                self._thread = threading.Thread(target=self._deliver, daemon=True)
                self._thread.start()

    def wait(self, patience_s: float) -> None:
        """Wait until the thread has delivered what it can, and no longer than that."""
        thread = self._thread
        if thread is not None:
            thread.join(max(0.0, patience_s))

    def _deliver(self) -> None:
        """In order, up to the first that cannot be delivered: what follows would not be either."""
        while self._still_wanted():
            while (notice := self._first()) is not None and self._sent(notice):
                self._strike_out(notice)

    def _still_wanted(self) -> bool:
        """Whether somebody has asked for an attempt since the last one; else the thread ends."""
        with self._lock:
            wanted, self._wanted = self._wanted, False
            if not (wanted and self.undelivered):
                self._thread = None
                return False
            return True

    def _first(self) -> Notice | None:
        with self._lock:
            return self._told.waiting[0] if self._told is not None and self._told.waiting else None

    def _sent(self, notice: Notice) -> bool:
        try:
            self._sender.send(notice)
        except (OSError, AutocellError) as error:
            self._complain("send", f"A notice could not be delivered ({self._kind}): {error}")
            return False
        except Exception as error:  # of a thread nobody would hear; and it may carry a secret
            kind = type(error).__name__
            self._complain("send", f"A notice could not be delivered ({self._kind}): {kind}")
            return False
        self._complaints.pop("send", None)
        return True

    def _strike_out(self, delivered: Notice) -> None:
        with self._lock:
            told = self._told
            assert told is not None
            left = tuple(notice for notice in told.waiting if notice is not delivered)
            self._keep(replace(told, waiting=left))

    def _keep(self, told: Told) -> None:
        self._told = told
        if self._file is None:
            return
        try:
            self._file.parent.mkdir(parents=True, exist_ok=True)
            put(self._file, told.as_json(), on_disk=True)
        except OSError as error:
            trouble = f"What was told cannot be kept in {self._file}: {error.strerror}"
            self._complain("keep", trouble)
        else:
            self._complaints.pop("keep", None)

    def _recalled(self) -> Told | None:
        try:
            return None if self._file is None else Told.from_json(self._file.read_text("utf-8"))
        except FileNotFoundError:
            return None
        except (OSError, ValueError) as error:
            trouble = f"What was told before cannot be read from {self._file}: {error}"
            self._complain("recall", trouble)
            return None

    def _complain(self, kind: str, text: str) -> None:
        """Once for each trouble, not at every attempt."""
        if text != self._complaints.get(kind):
            self._complaints[kind] = text
            self._tell(text)

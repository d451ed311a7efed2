"""Tells of an outcome when the verdict is another than before; what repeats is only counted."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from pathlib import Path

from autocell.notices.listener import Listener, Told
from autocell.notices.senders import Notice, Sender
from autocell.outcome import Outcome


class Teller:
    """Whom to tell. ``memory`` is the folder that keeps what each of them was told, None to
    forget it; ``morning_report`` the page that tells of the night once it has ended.

    Nobody waits for a network: each sender has a thread of its own. A notice that cannot be
    delivered is told in a line, kept, and sent again with the next outcome and whenever
    :meth:`retry` is called, be it by a later process.
    """

    def __init__(
        self,
        about: str,
        senders: Sequence[Sender],
        tell: Callable[[str], None] = print,
        memory: Path | None = None,
        morning_report: Path | None = None,
    ) -> None:
        self._about = about
        self._morning_report = morning_report
        self._listeners = [Listener(sender, memory, tell) for sender in senders]

    def outcome(self, outcome: Outcome) -> None:
        """Tell of an outcome, to everybody to whom its verdict is news."""
        for listener in self._listeners:
            listener.count(outcome, self._notice)
        self.retry()

    def catch_up(self, last: Outcome | None) -> None:
        """Tell of the last outcome of the processes before this one, unless they have told or
        counted it themselves, and try again what they could not deliver.

        To whom nothing was ever told it is no news: that begins with the next outcome.
        """
        for listener in self._listeners:
            listener.catch_up(last, self._notice)
        self.retry()

    def retry(self) -> None:
        """Try again what could not be delivered."""
        for listener in self._listeners:
            listener.start()

    def wait(self, patience_s: float) -> None:
        """Wait until all that is being sent was sent or refused, and no longer than that."""
        deadline_s = time.monotonic() + patience_s
        for listener in self._listeners:
            listener.wait(deadline_s - time.monotonic())

    @property
    def undelivered(self) -> int:
        """How many notices wait for another attempt."""
        return sum(listener.undelivered for listener in self._listeners)

    def _notice(self, outcome: Outcome, told: Told) -> Notice:
        wanted = "" if outcome.wanted_passes is None else f"{outcome.wanted_passes} passes "
        before = None if told.verdict is None else told.verdict.value
        history = "" if before is None else f"Before: {before}, {told.times} times.\n"
        run = "" if outcome.run is None else f"Run {outcome.run}.\n"
        page = self._morning_report
        morning = "" if page is None else f"Once the night has ended, all of it: {page}\n"
        return Notice(
            subject=f"autocell: {wanted}{outcome.verdict} ({self._about})",
            text=f"{outcome.verdict.meaning}\n{outcome.reason}\n\n{history}{run}{morning}",
            values={
                **outcome.as_json(),
                "about": self._about,
                "verdict_before": before,
                "times_before": told.times,
                "morning_report": None if page is None else str(page),
            },
        )

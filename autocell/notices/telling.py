"""Tells of an outcome when the verdict is another than before; what repeats is only counted."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from autocell.errors import AutocellError
from autocell.notices.senders import Notice, Sender
from autocell.outcome import Outcome, Verdict

_MOST_WAITING = 50


class Teller:
    """Whom to tell. ``previous`` is the verdict that was told last, None when none was;
    ``morning_report`` the page that tells of the night once it has ended.

    A notice that cannot be delivered is told in a line, kept, and sent again with the next
    outcome and whenever :meth:`retry` is called.
    """

    def __init__(
        self,
        about: str,
        senders: Sequence[Sender],
        previous: Verdict | None = None,
        tell: Callable[[str], None] = print,
        morning_report: Path | None = None,
    ) -> None:
        self._morning_report = morning_report
        self._about = about
        self._senders = list(senders)
        self._previous = previous
        self._repeats = 0
        self._tell = tell
        self._waiting: list[tuple[Sender, Notice]] = []

    def outcome(self, outcome: Outcome) -> None:
        """Tell of an outcome, if its verdict is news."""
        if outcome.verdict is self._previous:
            self._repeats += 1
            self.retry()
            return
        notice = self._notice(outcome)
        self._previous, self._repeats = outcome.verdict, 1
        self._waiting += [(sender, notice) for sender in self._senders]
        del self._waiting[:-_MOST_WAITING]
        self.retry()

    def retry(self) -> None:
        """Try again what could not be delivered."""
        waiting, self._waiting = self._waiting, []
        for sender, notice in waiting:
            try:
                sender.send(notice)
            except (OSError, AutocellError) as error:
                kind = type(sender).__name__.lower()
                self._tell(f"A notice could not be delivered ({kind}): {error}")
                self._waiting.append((sender, notice))

    @property
    def undelivered(self) -> int:
        """How many notices wait for another attempt."""
        return len(self._waiting)

    def _notice(self, outcome: Outcome) -> Notice:
        wanted = "" if outcome.wanted_passes is None else f"{outcome.wanted_passes} passes "
        before = "" if self._previous is None else self._previous.value
        history = f"Before: {before}, {self._repeats} times.\n" if self._repeats else ""
        run = "" if outcome.run is None else f"Run {outcome.run}.\n"
        page = self._morning_report
        morning = "" if page is None else f"Once the night has ended, all of it: {page}\n"
        return Notice(
            subject=f"autocell: {wanted}{outcome.verdict} ({self._about})",
            text=f"{outcome.verdict.meaning}\n{outcome.reason}\n\n{history}{run}{morning}",
            values={
                **outcome.as_json(),
                "about": self._about,
                "verdict_before": before or None,
                "times_before": self._repeats,
                "morning_report": None if page is None else str(page),
            },
        )

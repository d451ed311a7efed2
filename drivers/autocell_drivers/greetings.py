"""How many greetings have been sent, and which of them an answer can be to."""

from __future__ import annotations

from collections import deque


class Greetings:
    """Tells a late answer to an earlier greeting from one that came after everything else.

    Answers come in the order of their questions, but some are lost, and one greeting's answer looks
    like another's. So an answer is taken for that to the oldest greeting that may still be
    answered: it proves that nothing older is to come only if nothing else was sent after that
    greeting. A greeting that was lost asks for one answer more than is needed; after ``latest_s``
    it is no longer counted. What this cannot tell is an answer that came twice, and late.
    """

    def __init__(self, latest_s: float) -> None:
        self._latest_s = latest_s
        self._sent_at: deque[float] = deque()
        self._ahead = 0

    def something_else(self, now_s: float) -> None:
        """A message was sent that is no greeting: all greetings before it prove nothing of it."""
        self._forget_lost(now_s)
        self._ahead = len(self._sent_at)

    def sent(self, now_s: float) -> None:
        """A greeting was sent."""
        self._forget_lost(now_s)
        self._sent_at.append(now_s)

    def answered(self, now_s: float) -> bool:
        """A greeting was answered; whether nothing that was sent before is still to come."""
        self._forget_lost(now_s)
        if self._sent_at:
            self._sent_at.popleft()
        proved = self._ahead == 0
        self._ahead = max(0, self._ahead - 1)
        return proved

    def all_gone(self) -> None:
        """The line is another: nothing that was sent on the old one will be answered."""
        self._sent_at.clear()
        self._ahead = 0

    def _forget_lost(self, now_s: float) -> None:
        while self._sent_at and self._sent_at[0] < now_s - self._latest_s:
            self._sent_at.popleft()
            self._ahead = max(0, self._ahead - 1)

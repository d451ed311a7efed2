"""From the notices of a programme file to whoever tells them."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

from autocell.bench.protocols import Clock
from autocell.notices.alive import Heartbeat
from autocell.notices.metrics import Metrics
from autocell.notices.senders import Mail, Sender, Webhook
from autocell.notices.telling import Teller
from autocell.outcome import Outcome, Verdict
from autocell.programme.programme import Programme
from autocell.programme.schema import NoticesSection
from autocell.records import Store, default_path
from autocell.session.mornings import morning_path

_RETRY_S = 600.0


class Watch:
    """Tells of outcomes, and that the programme is alive.

    Raises UsageError when a metrics file is wanted and cannot be had; StoreError.
    """

    def __init__(
        self, programme: Programme, store: Path | None, clock: Clock, tell: Callable[[str], None]
    ) -> None:
        notices, folder = programme.notices, programme.path.parent
        self._clock = clock
        self._tell = tell
        self._tried_s = clock.now()
        self._teller = Teller(
            programme.name,
            senders(notices),
            _last_verdict(programme, store),
            tell,
            morning_path(store or default_path(), programme.bench)
            if programme.morning_report
            else None,
        )
        heartbeat = None if notices.heartbeat_file is None else folder / notices.heartbeat_file
        self._heartbeat = Heartbeat(clock.now, heartbeat, notices.ping_url, tell)
        self._metrics: Metrics | None = None
        if notices.metrics_file is not None:
            self._metrics = Metrics(folder / notices.metrics_file, programme.bench.name)

    def alive(self, doing: str) -> None:
        """Something is being done."""
        self._heartbeat.beat(doing)
        if self._clock.now() - self._tried_s >= _RETRY_S:
            self._tried_s = self._clock.now()
            self._teller.retry()

    def ended(self, outcome: Outcome) -> None:
        """A change has ended."""
        self._teller.outcome(outcome)
        if self._metrics is not None:
            try:
                self._metrics.outcome(outcome, datetime.now(UTC))
            except OSError as error:
                self._tell(f"The metrics file cannot be written: {error}")


def senders(notices: NoticesSection) -> list[Sender]:
    """Everybody whom a programme file names."""
    found: list[Sender] = []
    if notices.webhook is not None:
        found.append(Webhook(notices.webhook.url, notices.webhook.secret))
    if notices.mail is not None:
        mail = notices.mail
        found.append(
            Mail(
                mail.server, mail.port, mail.encryption, mail.sender, tuple(mail.to),
                mail.user, mail.secret,
            )
        )  # fmt: skip
    return found


def _last_verdict(programme: Programme, store: Path | None) -> Verdict | None:
    """The verdict that was told last, by a process before this one."""
    with Store.open(store) as opened:
        runs = opened.asked_with(programme.bench.sha256, {"programme": programme.name})
    verdicts = [run.outcome.verdict for run in runs[-1:] if run.outcome is not None]
    return verdicts[-1] if verdicts else None

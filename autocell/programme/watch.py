"""From the notices of a programme file to whoever tells them."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import UTC, datetime
from hashlib import sha256
from pathlib import Path

from autocell.bench.protocols import Clock
from autocell.errors import AutocellError
from autocell.notices.alive import Heartbeat
from autocell.notices.metrics import Metrics
from autocell.notices.senders import Mail, Sender, Webhook
from autocell.notices.telling import Teller
from autocell.outcome import Outcome
from autocell.programme.programme import Programme
from autocell.programme.schema import NoticesSection
from autocell.programme.standing import standing, standings
from autocell.records import Store, default_path
from autocell.session.mornings import morning_path

_RETRY_S = 600.0

_LAST_WORDS_S = 25.0
"""How long the end of a programme waits for what is being sent: one attempt, not more."""


class Watch:
    """Tells of outcomes, and that the programme is alive. Its owner owns the bench, too, so that
    nobody is told twice.

    Raises UsageError when a metrics file is wanted and cannot be had; StoreError.
    """

    def __init__(
        self, programme: Programme, store: Path | None, clock: Clock, tell: Callable[[str], None]
    ) -> None:
        last = _last_outcome(programme, store)  # first: without a store nothing else is said
        notices, folder = programme.notices, programme.path.parent
        place = store or default_path()
        self._programme = programme
        self._store = store
        self._clock = clock
        self._tell = tell
        self._tried_s = clock.now()
        heartbeat = None if notices.heartbeat_file is None else folder / notices.heartbeat_file
        self._heartbeat = Heartbeat(clock.now, heartbeat, notices.ping_url, tell)
        self._metrics: Metrics | None = None
        if notices.metrics_file is not None:
            self._metrics = Metrics(folder / notices.metrics_file, programme.bench.name)
            self._with_metrics(self._begin_metrics)
        page = morning_path(place, programme.bench) if programme.morning_report else None
        self._teller = Teller(
            programme.name, senders(notices), tell, notices_folder(place, programme), page
        )
        self._teller.catch_up(last)

    def alive(self, doing: str) -> None:
        """Something is being done."""
        self._heartbeat.beat(doing)
        if self._clock.now() - self._tried_s >= _RETRY_S:
            self._tried_s = self._clock.now()
            self._teller.retry()

    def ended(self, outcome: Outcome) -> None:
        """A change or recovery has ended."""
        self._teller.outcome(outcome)

        def take_in(metrics: Metrics) -> None:
            with Store.open(self._store) as store:
                metrics.ended(standing(store, outcome, datetime.now(UTC)))

        self._with_metrics(take_in)

    def close(self) -> None:
        """The programme has ended: give what is being sent the time to arrive."""
        self._teller.wait(_LAST_WORDS_S)
        if self._teller.undelivered:
            self._tell("A notice is left undelivered; the next start tries it again.")

    def _begin_metrics(self, metrics: Metrics) -> None:
        with Store.open(self._store) as store:
            metrics.begin(standings(store, self._programme.bench.sha256))

    def _with_metrics(self, act: Callable[[Metrics], None]) -> None:
        """Trouble with the metrics ends no programme."""
        if self._metrics is None:
            return
        try:
            act(self._metrics)
        except (OSError, AutocellError) as error:
            self._tell(f"The metrics file cannot be written: {error}")


def notices_folder(store: Path, programme: Programme) -> Path:
    """Where it is kept what those whom a programme names were told: beside the run store."""
    which = sha256(f"{programme.name}\n{programme.bench.sha256}".encode()).hexdigest()[:8]
    name = re.sub(r"[^a-z0-9]+", "-", programme.name.lower()).strip("-")[:40]
    return store.absolute().parent / "notices" / f"{name}-{which}"


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


def _last_outcome(programme: Programme, store: Path | None) -> Outcome | None:
    """What the last run of a process before this one came to, if it said so."""
    with Store.open(store) as opened:
        asked = {"programme": programme.name}
        runs = opened.asked_with(programme.bench.sha256, asked, latest=1)
    return runs[-1].outcome if runs else None

"""What could not be delivered is delivered by a later process, and no process waits for it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from autocell.bench.clock import VirtualClock
from autocell.notices.listener import Listener
from autocell.notices.senders import Mail, Notice, Webhook
from autocell.notices.telling import Teller
from autocell.outcome import Outcome, Proof, Verdict
from autocell.programme.programme import Programme, load
from autocell.programme.watch import Watch, notices_folder
from autocell.records import Store
from tests.notices.conftest import Heard, Post, http_server
from tests.records.conftest import BEGAN

REACHED = Outcome(Verdict.REACHED, "set between the edges", 62, 62, Proof(True, 0.9999))
HELD = Outcome(Verdict.HELD, "not proved: an edge was not found", 62)


@pytest.fixture
def store(tmp_path: Path) -> Path:
    return tmp_path / "runs.sqlite"


@pytest.fixture
def programme(http: Heard, tmp_path: Path) -> Programme:
    path = tmp_path / "programme.yaml"
    path.write_text(
        "programme: nights\nbench: peat-bog\ntime_zone: UTC\nmorning_report: false\n"
        f"notices:\n  webhook: {{url: '{http.url}'}}\nsteps:\n  - change: 62\n",
        "utf-8",
    )
    return load(path)


def recorded(store: Path, programme: Programme, outcome: Outcome) -> Outcome:
    """The outcome as a run of the programme in the store."""
    with Store.open(store) as opened:
        arguments = {"programme": programme.name, "night": "2026-11-24", "step": 1, "passes": 62}
        return opened.begin("change", programme.bench, BEGAN, "0", arguments).finish(outcome)


def process(
    store: Path, programme: Programme, *outcomes: Outcome, without_a_run: Outcome | None = None
) -> list[str]:
    """A process of the programme whose runs have these outcomes; what it told."""
    told: list[str] = []
    watch = Watch(programme, store, VirtualClock(), told.append)
    for outcome in outcomes:
        watch.ended(recorded(store, programme, outcome))
    if without_a_run is not None:
        watch.ended(without_a_run)
    watch.close()
    return told


def verdicts(http: Heard) -> list[str]:
    return [json.loads(body)["verdict"] for _, _, _, body in http.requests]


def test_what_one_process_could_not_deliver_the_next_one_delivers(
    http: Heard, store: Path, programme: Programme
) -> None:
    process(store, programme, REACHED)
    http.answers, http.requests[:] = [503], []
    told = process(store, programme, HELD)
    assert told == [
        "A notice could not be delivered (webhook): 127.0.0.1 answers 503",
        "A notice is left undelivered; the next start tries it again.",
    ]
    http.requests.clear()
    assert process(store, programme) == []
    assert verdicts(http) == ["held"]
    ((_, _, _, body),) = http.requests
    assert (json.loads(body)["verdict_before"], json.loads(body)["times_before"]) == ("reached", 1)
    assert process(store, programme, HELD) == []
    assert verdicts(http) == ["held"], "delivered once, and no news since"


def test_a_run_whose_process_ended_before_it_could_tell_is_told_by_the_next(
    http: Heard, store: Path, programme: Programme
) -> None:
    process(store, programme, REACHED)
    recorded(store, programme, HELD)  # and the power failed
    process(store, programme)
    process(store, programme)
    assert verdicts(http) == ["reached", "held"]


def test_whom_nothing_was_ever_told_the_next_outcome_is_told(
    http: Heard, store: Path, programme: Programme
) -> None:
    recorded(store, programme, REACHED)
    process(store, programme)
    assert verdicts(http) == [], "what was before it was asked to listen"
    process(store, programme, REACHED)
    assert verdicts(http) == ["reached"]


def test_what_no_run_has_recorded_is_not_taken_for_older_than_the_last_run(
    http: Heard, store: Path, programme: Programme
) -> None:
    """A hook that fails before a change has the step held without a run."""
    recorded(store, programme, REACHED)  # before anybody listened
    process(store, programme, without_a_run=HELD)
    process(store, programme)
    assert verdicts(http) == ["held"]
    process(store, programme, REACHED, without_a_run=HELD)
    process(store, programme)
    assert verdicts(http) == ["held", "reached", "held"]


def test_each_is_told_what_it_has_missed(http: Heard, post: Post, tmp_path: Path) -> None:
    hook = Webhook(http.url)
    mail = Mail("127.0.0.1", post.port, "none", "cell@bog.invalid", ("a@bog.invalid",))
    http.answers = [503, 503]
    for outcome in (REACHED, HELD):
        teller = Teller("nights", [hook, mail], [].append, tmp_path)
        teller.outcome(outcome)
        teller.wait(30.0)
    assert len(post.mails) == 2
    assert teller.undelivered == 2
    http.requests.clear()
    teller = Teller("nights", [hook, mail], pytest.fail, tmp_path)
    teller.catch_up(None)
    teller.wait(30.0)
    assert (verdicts(http), len(post.mails)) == (["reached", "held"], 2)


def test_nobody_waits_for_a_network(http: Heard) -> None:
    """All of this returns while one server does not answer; and the other is told meanwhile."""
    with http_server() as silent:
        silent.free.clear()
        silent_hook, hook = Webhook(silent.url), Webhook(http.url)
        teller = Teller("nights", [silent_hook, hook], pytest.fail)
        teller.outcome(REACHED)
        assert silent.asked.wait(30.0)
        teller.outcome(HELD)
        teller.retry()
        teller.wait(0.0)
        assert teller.undelivered >= 2
        silent.free.set()
        teller.wait(30.0)
        assert teller.undelivered == 0
        assert verdicts(silent) == verdicts(http) == ["reached", "held"]


def test_troubles_of_memory_and_delivery_are_each_told_once(http: Heard, tmp_path: Path) -> None:
    told: list[str] = []
    memory = tmp_path / "a file"
    memory.write_text("in the place of a folder")
    listener = Listener(Webhook(http.url), memory, told.append)
    told.clear()
    http.answers += [503, 503, 503]
    for outcome in (REACHED, HELD, REACHED):
        listener.count(outcome, lambda outcome, _told: Notice(str(outcome.verdict), "", {}))
        listener.start()
        listener.wait(30.0)
    assert [text[:23] for text in told] == ["What was told cannot be", "A notice could not be d"]


def test_a_memory_that_cannot_be_read_or_kept_is_told_and_ends_nothing(
    http: Heard, store: Path, programme: Programme
) -> None:
    file = notices_folder(store, programme) / "webhook.json"
    file.parent.mkdir(parents=True)
    file.write_text('{"verdict": "flooded"}')
    (told,) = process(store, programme, REACHED)
    assert "What was told before cannot be read from" in told
    assert verdicts(http) == ["reached"]
    file.unlink()
    file.mkdir()
    told, *_ = process(store, programme, REACHED)
    assert str(file) in told

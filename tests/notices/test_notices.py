"""Notices to real servers: news only, secrets from where they belong, troubles in one line."""

from __future__ import annotations

import json
import os
import socket
from datetime import UTC, datetime
from pathlib import Path

import pytest

from autocell.bench.clock import VirtualClock
from autocell.errors import UsageError
from autocell.notices.alive import Heartbeat
from autocell.notices.secrets import resolved, secret
from autocell.notices.senders import Mail, Notice, Webhook, fetch
from autocell.notices.telling import Teller
from autocell.outcome import Outcome, Proof, Verdict
from autocell.programme.programme import load
from autocell.programme.watch import Watch
from autocell.session.mornings import morning_path
from tests.notices.conftest import Heard, Post

REACHED = Outcome(
    Verdict.REACHED, "set between the edges", 62, 62, Proof(True, 0.9999), run="20261125-2200-01"
)
HELD = Outcome(Verdict.HELD, "not proved: an edge was not found", 62)
NOTICE = Notice("autocell: held", "The bench stands still.\n", {"verdict": "held"})


def taught(teller: Teller, *outcomes: Outcome) -> None:
    """Tell a teller of these, and let all of it arrive."""
    for outcome in outcomes:
        teller.outcome(outcome)
    teller.wait(30.0)


def test_only_news_is_told_and_what_repeats_is_counted(http: Heard) -> None:
    teller = Teller("nights (invented)", [Webhook(http.url)])
    taught(teller, REACHED, REACHED, REACHED, HELD, HELD, REACHED)
    told = [json.loads(body) for _, _, _, body in http.requests]
    assert [one["verdict"] for one in told] == ["reached", "held", "reached"]
    assert [(one["verdict_before"], one["times_before"]) for one in told] == [
        (None, 0), ("reached", 3), ("held", 2),
    ]  # fmt: skip
    assert told[0]["run"] == "20261125-2200-01"
    assert told[0]["proof"]["proved"] is True
    method, _, headers, _ = http.requests[0]
    assert (method, headers["Content-Type"]) == ("POST", "application/json")


def test_a_notice_that_is_refused_is_kept_and_sent_again(http: Heard) -> None:
    http.answers = [503]
    told: list[str] = []
    teller = Teller("nights", [Webhook(f"{http.url}/token-of-heather")], tell=told.append)
    taught(teller, HELD)
    assert told == ["A notice could not be delivered (webhook): 127.0.0.1 answers 503"]
    assert teller.undelivered == 1
    teller.retry()
    teller.wait(30.0)
    assert teller.undelivered == 0
    assert len(http.requests) == 2


def test_nobody_at_a_host_is_told_without_the_rest_of_the_url() -> None:
    with socket.create_server(("127.0.0.1", 0)) as closed:
        port = closed.getsockname()[1]
    with pytest.raises(OSError, match=r"127\.0\.0\.1 cannot be reached") as refused:
        fetch(f"http://127.0.0.1:{port}/token-of-heather")
    assert "heather" not in str(refused.value)
    with pytest.raises(OSError, match="only http and https"):
        fetch("file:///etc/hostname")


def test_a_webhook_brings_its_secret(http: Heard, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("AUTOCELL_SECRET_HOOK", "Bearer heather")
    monkeypatch.setenv("AUTOCELL_SECRET_PLACE", f"{http.url}/here")
    Webhook("secret:place", "hook").send(NOTICE)
    ((_, path, headers, _),) = http.requests
    assert (path, headers["Authorization"]) == ("/here", "Bearer heather")


def test_a_mail_says_it_in_words(post: Post, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("AUTOCELL_SECRET_POST", "heather")
    mail = Mail(
        "127.0.0.1", post.port, "none", "cell@bog.invalid", ("a@bog.invalid", "b@bog.invalid"),
        "cell", "post",
    )  # fmt: skip
    teller = Teller("nights (invented)", [mail], tell=pytest.fail)
    taught(teller, REACHED, HELD)
    first, second = post.mails
    assert first["Subject"] == "autocell: 62 passes reached (nights (invented))"
    assert second["Subject"] == "autocell: 62 passes held (nights (invented))"
    assert second["To"] == "a@bog.invalid, b@bog.invalid"
    text = second.get_payload()
    assert "not proved: an edge was not found" in text
    assert "Before: reached, 1 times." in text
    assert post.logins == [(b"cell", b"heather")] * 2


def test_a_mail_that_is_refused_names_no_password(
    post: Post, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("AUTOCELL_SECRET_POST", "wrong-heather")
    mail = Mail("127.0.0.1", post.port, "none", "cell@bog.invalid", ("a@bog.invalid",), "x", "post")
    with pytest.raises(OSError, match=r"mail by 127\.0\.0\.1: SMTPAuthenticationError") as refused:
        mail.send(NOTICE)
    assert "heather" not in str(refused.value)


def test_a_secret_file_must_be_its_owners_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(tmp_path))
    file = tmp_path / "hook"
    file.write_text("heather\n")
    file.chmod(0o644)
    with pytest.raises(UsageError, match=r"others may read it.*chmod 600"):
        secret("hook")
    file.chmod(0o600)
    assert secret("hook") == "heather"
    assert resolved("secret:hook") == "heather"
    assert resolved("https://bog.invalid") == "https://bog.invalid"


def test_a_missing_secret_says_where_it_is_looked_for(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("CREDENTIALS_DIRECTORY", raising=False)
    with pytest.raises(UsageError, match="set AUTOCELL_SECRET_NOWHERE, or write it into"):
        secret("nowhere")


class Seconds:
    """A clock that is set by hand."""

    def __init__(self) -> None:
        self.s = 0.0

    def __call__(self) -> float:
        return self.s


def test_a_heartbeat_is_written_whole_and_not_at_every_beat(tmp_path: Path) -> None:
    now, file = Seconds(), tmp_path / "alive.json"
    heart = Heartbeat(now, file)
    heart.beat("waiting")
    told = json.loads(file.read_text())
    assert (told["doing"], told["process"]) == ("waiting", os.getpid())
    assert abs((datetime.now(UTC) - datetime.fromisoformat(told["utc"])).total_seconds()) < 3600
    heart.beat("too soon")
    assert json.loads(file.read_text())["doing"] == "waiting"
    now.s = 11.0
    heart.beat("reading")
    assert json.loads(file.read_text())["doing"] == "reading"
    assert list(tmp_path.iterdir()) == [file]


def test_a_heartbeat_that_cannot_be_written_is_told_once_and_ends_nothing(tmp_path: Path) -> None:
    now, told = Seconds(), list[str]()
    heart = Heartbeat(now, tmp_path / "no such folder" / "alive.json", tell=told.append)
    for _ in range(3):
        now.s += 20.0
        heart.beat("waiting")
    assert len(told) == 1
    assert "cannot be written" in told[0]


def test_troubles_of_file_and_ping_are_each_told_once_until_they_are_over(
    http: Heard, tmp_path: Path
) -> None:
    now, told, folder = Seconds(), list[str](), tmp_path / "not yet"
    heart = Heartbeat(now, folder / "alive.json", f"{http.url}/alive", tell=told.append)

    def beats(count: int, *answers: int) -> list[str]:
        http.answers.extend(answers)
        told.clear()
        for _ in range(count):
            now.s += 61.0
            heart.beat("waiting")
            assert heart._ping is not None
            heart._ping.join()
        return sorted(text[:13] for text in told)

    assert beats(3, 503, 503, 503) == ["The heartbeat", "The ping was "]
    folder.mkdir()
    assert beats(1, 503) == []
    folder.joinpath("alive.json").unlink()
    folder.rmdir()
    assert beats(2, 204, 503) == ["The heartbeat", "The ping was "]


def test_a_ping_is_sent(http: Heard) -> None:
    Heartbeat(Seconds(), ping_url=f"{http.url}/alive").beat("waiting")
    assert http.asked.wait(30.0)
    ((method, path, _, _),) = http.requests
    assert (method, path) == ("GET", "/alive")


def test_systemd_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "notify"))
        manager.settimeout(30.0)
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
        Heartbeat(Seconds()).beat("waiting until 22:00")
        assert manager.recv(1000) == b"WATCHDOG=1\nSTATUS=waiting until 22:00"


@pytest.mark.parametrize("wanted", ["true", "false"])
def test_a_notice_says_where_the_morning_report_will_be(
    wanted: str, http: Heard, tmp_path: Path
) -> None:
    path = tmp_path / "programme.yaml"
    path.write_text(
        f"programme: nights\nbench: peat-bog\ntime_zone: UTC\nmorning_report: {wanted}\n"
        f"notices:\n  webhook: {{url: '{http.url}'}}\nsteps:\n  - change: 62\n",
        "utf-8",
    )
    programme = load(path)
    store = tmp_path / "runs.sqlite"
    watch = Watch(programme, store, VirtualClock(), pytest.fail)
    watch.ended(HELD)
    watch.close()
    ((_, _, _, body),) = http.requests
    page = str(morning_path(store, programme.bench)) if wanted == "true" else None
    assert json.loads(body)["morning_report"] == page

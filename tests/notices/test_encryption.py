"""Mail and webhooks to real servers that encrypt: what is trusted is told, and nothing else."""

from __future__ import annotations

import ssl
from dataclasses import replace
from pathlib import Path

import pytest

from autocell.notices.senders import Mail, Notice, Webhook
from tests.notices.certificate import server_context
from tests.notices.conftest import http_server, mail_server

NOTICE = Notice("autocell: held", "The bench stands still.\n", {"verdict": "held"})
MAIL = Mail("localhost", 0, "starttls", "cell@bog.invalid", ("a@bog.invalid",), "cell", "post")


@pytest.fixture(autouse=True)
def password(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("AUTOCELL_SECRET_POST", "heather")
    monkeypatch.delenv("SSL_CERT_FILE", raising=False)


@pytest.fixture
def trusting(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """This machine trusts the certificate of these tests."""
    monkeypatch.setenv("SSL_CERT_FILE", str(tmp_path / "certificate.pem"))


@pytest.mark.usefixtures("trusting")
@pytest.mark.parametrize("host", ["localhost", "127.0.0.1"])
@pytest.mark.parametrize("encryption", ["starttls", "tls"])
def test_a_mail_is_sent_encrypted(encryption: str, host: str, tmp_path: Path) -> None:
    with mail_server(encryption, tmp_path) as post:
        replace(MAIL, server=host, port=post.port, encryption=encryption).send(NOTICE)
        (mail,) = post.mails
        assert mail["Subject"] == "autocell: held"
        assert post.logins == [(b"cell", b"heather")]


@pytest.mark.parametrize("encryption", ["starttls", "tls"])
def test_a_mail_server_that_is_not_trusted_is_told_nothing(encryption: str, tmp_path: Path) -> None:
    with mail_server(encryption, tmp_path) as post:
        with pytest.raises(
            OSError,
            match=r"^mail by localhost: its certificate is not trusted: self.signed certificate; "
            "nothing was sent. .* SSL_CERT_FILE",
        ):
            replace(MAIL, port=post.port, encryption=encryption).send(NOTICE)
        assert (post.mails, post.logins) == ([], [])


@pytest.mark.usefixtures("trusting")
@pytest.mark.parametrize("encryption", ["starttls", "tls"])
def test_a_mail_server_of_another_name_is_told_nothing(encryption: str, tmp_path: Path) -> None:
    with mail_server(encryption, tmp_path) as post:
        with pytest.raises(OSError, match=r"Hostname mismatch.* nothing was sent"):
            replace(MAIL, server="127.1", port=post.port, encryption=encryption).send(NOTICE)
        assert (post.mails, post.logins) == ([], [])


@pytest.mark.parametrize(
    ("spoken", "expected", "told"),
    [
        ("none", "starttls", "STARTTLS extension not supported by server"),
        ("none", "tls", "it speaks no encryption that is understood here"),
        ("starttls", "none", "SMTPNotSupportedError|SMTP AUTH extension not supported"),
    ],
)
def test_a_mail_server_that_encrypts_otherwise_is_told_nothing(
    spoken: str, expected: str, told: str, tmp_path: Path
) -> None:
    with mail_server(spoken, tmp_path) as post:
        with pytest.raises(OSError, match=f"^mail by localhost: .*({told})"):
            replace(MAIL, port=post.port, encryption=expected).send(NOTICE)
        assert (post.mails, post.logins) == ([], [])


@pytest.mark.usefixtures("trusting")
def test_a_webhook_is_posted_encrypted(tmp_path: Path) -> None:
    with http_server(server_context(tmp_path)) as heard:
        Webhook(heard.url).send(NOTICE)
        assert len(heard.requests) == 1


def test_a_webhook_that_is_not_trusted_is_told_nothing(tmp_path: Path) -> None:
    with http_server(server_context(tmp_path)) as heard:
        with pytest.raises(OSError, match=r"^127\.0\.0\.1 cannot be reached \(its certificate is"):
            Webhook(f"{heard.url}/token-of-heather").send(NOTICE)
        assert heard.requests == []


def test_the_certificate_of_these_tests_holds_by_strict_rules(tmp_path: Path) -> None:
    """RFC 5280 to the letter, as later versions of Python ask for."""
    context = server_context(tmp_path)
    trusting = ssl.create_default_context(cafile=str(tmp_path / "certificate.pem"))
    trusting.verify_flags |= ssl.VERIFY_X509_STRICT
    (ours, theirs), done = (ssl.MemoryBIO(), ssl.MemoryBIO()), False
    client = trusting.wrap_bio(ours, theirs, server_hostname="localhost")
    server = context.wrap_bio(theirs, ours, server_side=True)
    while not done:
        done = all([shaken(client), shaken(server)])


def shaken(end: ssl.SSLObject) -> bool:
    """Whether one end has all that it needs from the other."""
    try:
        end.do_handshake()
    except ssl.SSLWantReadError:
        return False
    return True

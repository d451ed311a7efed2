"""Ways to tell somebody: an HTTP POST of the outcome as JSON, and a mail."""

from __future__ import annotations

import json
import smtplib
import ssl
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Mapping
from dataclasses import dataclass
from email.message import EmailMessage
from typing import Any, Literal, Protocol

from autocell.notices.secrets import resolved, secret

_PATIENCE_S = 20.0


@dataclass(frozen=True)
class Notice:
    """What is told: a subject, a few lines of text, and the outcome as JSON values."""

    subject: str
    text: str
    values: Mapping[str, Any]


class Sender(Protocol):
    """One way to tell somebody."""

    def send(self, notice: Notice) -> None:
        """Tell it. Raises OSError, which names no secret, or UsageError for a missing one."""
        ...


@dataclass(frozen=True)
class Webhook:
    """Posts the values as JSON. ``secret_name`` is that of the whole Authorization header."""

    url: str
    secret_name: str | None = None

    def send(self, notice: Notice) -> None:
        """Post it. Raises OSError for anything but an answer of 2xx; UsageError."""
        headers = {"Content-Type": "application/json", "User-Agent": "autocell"}
        if self.secret_name is not None:
            headers["Authorization"] = secret(self.secret_name)
        body = json.dumps(notice.values).encode()
        fetch(resolved(self.url), body, headers)


@dataclass(frozen=True)
class Mail:
    """Sends plain text by SMTP (RFC 5321): encrypted from the start (``tls``, RFC 8314), from
    before anything is told (``starttls``, RFC 3207), or not at all. A server whose certificate is
    not trusted is told nothing."""

    server: str
    port: int
    encryption: Literal["starttls", "tls", "none"]
    sender: str
    to: tuple[str, ...]
    user: str | None = None
    secret_name: str | None = None

    def send(self, notice: Notice) -> None:
        """Send it. Raises OSError, UsageError."""
        message = EmailMessage()
        message["Subject"], message["From"] = notice.subject, self.sender
        message["To"] = ", ".join(self.to)
        message.set_content(notice.text)
        try:
            with self._connected() as server:
                if self.user is not None and self.secret_name is not None:
                    server.login(self.user, secret(self.secret_name))
                server.send_message(message)
        except smtplib.SMTPNotSupportedError as error:
            raise OSError(f"mail by {self.server}: {error}") from None
        except smtplib.SMTPException as error:
            raise OSError(f"mail by {self.server}: {type(error).__name__}") from error
        except OSError as error:
            raise OSError(f"mail by {self.server}: {_why(error)}") from error
        except ValueError as error:  # it may carry what was to be sent, a password included
            raise OSError(f"mail by {self.server}: {type(error).__name__}") from None

    def _connected(self) -> smtplib.SMTP:
        context = ssl.create_default_context()
        if self.encryption == "tls":
            return smtplib.SMTP_SSL(self.server, self.port, timeout=_PATIENCE_S, context=context)
        server = smtplib.SMTP(self.server, self.port, timeout=_PATIENCE_S)
        if self.encryption == "starttls":
            try:
                server.starttls(context=context)
            except BaseException:
                server.close()
                raise
        return server


def fetch(url: str, body: bytes | None = None, headers: Mapping[str, str] | None = None) -> None:
    """Ask a URL, with POST if there is a body. Raises OSError that names its host only: the rest
    of a URL may be a secret."""
    place = urllib.parse.urlsplit(url)
    if place.scheme not in ("http", "https"):
        raise OSError(f"{place.scheme or 'no scheme'}: only http and https are spoken here")
    request = urllib.request.Request(url, data=body, headers=dict(headers or {}))
    try:
        with urllib.request.urlopen(request, timeout=_PATIENCE_S) as answer:
            answer.read()
    except urllib.error.HTTPError as error:
        raise OSError(f"{place.hostname} answers {error.code}") from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "reason", None)
        why = _why(reason) if isinstance(reason, OSError) else reason or type(error).__name__
        raise OSError(f"{place.hostname} cannot be reached ({why})") from None


def _why(error: OSError) -> str:
    """What keeps from reaching a server, in words."""
    if isinstance(error, ssl.SSLCertVerificationError):
        why = error.verify_message.rstrip(".")
        return (
            f"its certificate is not trusted: {why}; nothing was sent. Have this machine trust "
            "who issued it, or name a file with that certificate in SSL_CERT_FILE"
        )
    if isinstance(error, ssl.SSLError):
        return f"it speaks no encryption that is understood here ({error.reason}); is it this port?"
    return error.strerror or str(error) or type(error).__name__

"""Real servers of this machine: one that takes HTTP, one that takes mail."""

from __future__ import annotations

import asyncio
import ssl
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from email.message import EmailMessage
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from typing import Any

import pytest
from aiosmtpd.handlers import Message
from aiosmtpd.smtp import SMTP, AuthResult

from tests.notices.certificate import server_context


@dataclass
class Heard:
    """What an HTTP server was asked; ``answers`` are the codes it gives, then 204 for ever. It
    answers nobody while ``free`` is not set."""

    url: str = ""
    requests: list[tuple[str, str, dict[str, str], bytes]] = field(default_factory=list)
    answers: list[int] = field(default_factory=list)
    asked: threading.Event = field(default_factory=threading.Event)
    free: threading.Event = field(default_factory=threading.Event)


@contextmanager
def http_server(tls: ssl.SSLContext | None = None) -> Iterator[Heard]:
    heard = Heard()
    heard.free.set()

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            length = int(self.headers.get("Content-Length", 0))
            body = self.rfile.read(length)
            heard.requests.append((self.command, self.path, dict(self.headers), body))
            heard.asked.set()
            assert heard.free.wait(30.0)
            self.send_response(heard.answers.pop(0) if heard.answers else 204)
            self.end_headers()

        do_POST = do_GET  # noqa: N815

        def log_message(self, *_: Any) -> None:
            pass

    server = HTTPServer(("127.0.0.1", 0), Handler)
    heard.url = f"http://127.0.0.1:{server.server_port}"
    if tls is not None:
        server.socket = tls.wrap_socket(server.socket, server_side=True)
        heard.url = heard.url.replace("http:", "https:")
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    try:
        yield heard
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


@pytest.fixture
def http() -> Iterator[Heard]:
    with http_server() as heard:
        yield heard


class Post(Message):
    """Keeps the mails, and who logged in."""

    def __init__(self) -> None:
        super().__init__(EmailMessage)
        self.mails: list[EmailMessage] = []
        self.port = 0
        self.logins: list[tuple[bytes, bytes]] = []

    def handle_message(self, message: EmailMessage) -> None:
        self.mails.append(message)


@contextmanager
def mail_server(encryption: str, folder: Path) -> Iterator[Post]:
    """A server that takes mail, and passwords, by no other than this encryption."""
    handler = Post()
    tls = None if encryption == "none" else server_context(folder)

    def authenticate(_server: Any, _session: Any, _envelope: Any, _how: str, data: Any) -> Any:
        handler.logins.append((data.login, data.password))
        return AuthResult(success=data.password == b"heather", handled=False)

    def session() -> SMTP:
        if encryption == "starttls":
            return SMTP(handler, authenticator=authenticate, tls_context=tls, require_starttls=True)
        return SMTP(handler, authenticator=authenticate, auth_require_tls=False)

    async def serve() -> asyncio.Server:
        from_the_start = tls if encryption == "tls" else None
        return await asyncio.get_running_loop().create_server(
            session, "127.0.0.1", 0, ssl=from_the_start
        )

    async def let_go() -> None:
        """Who is still connected ends now, so that nothing is left half closed."""
        server.close()
        others = asyncio.all_tasks() - {asyncio.current_task()}
        for task in others:
            task.cancel()
        await asyncio.gather(*others, return_exceptions=True)

    loop = asyncio.new_event_loop()
    server = loop.run_until_complete(serve())
    handler.port = server.sockets[0].getsockname()[1]
    thread = threading.Thread(target=loop.run_forever)
    thread.start()
    try:
        yield handler
    finally:
        asyncio.run_coroutine_threadsafe(let_go(), loop).result(30.0)
        loop.call_soon_threadsafe(loop.stop)
        thread.join()
        loop.close()


@pytest.fixture
def post(tmp_path: Path) -> Iterator[Post]:
    with mail_server("none", tmp_path) as handler:
        yield handler

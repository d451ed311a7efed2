"""Real servers of this machine: one that takes HTTP, one that takes mail."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from email.message import EmailMessage
from http.server import BaseHTTPRequestHandler, HTTPServer
from typing import Any

import pytest
from aiosmtpd.handlers import Message
from aiosmtpd.smtp import SMTP, AuthResult


@dataclass
class Heard:
    """What an HTTP server was asked; ``answers`` are the codes it gives, then 204 for ever."""

    url: str = ""
    requests: list[tuple[str, str, dict[str, str], bytes]] = field(default_factory=list)
    answers: list[int] = field(default_factory=list)
    asked: threading.Event = field(default_factory=threading.Event)


@contextmanager
def http_server() -> Iterator[Heard]:
    heard = Heard()

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            length = int(self.headers.get("Content-Length", 0))
            body = self.rfile.read(length)
            heard.requests.append((self.command, self.path, dict(self.headers), body))
            self.send_response(heard.answers.pop(0) if heard.answers else 204)
            self.end_headers()
            heard.asked.set()

        do_POST = do_GET  # noqa: N815

        def log_message(self, *_: Any) -> None:
            pass

    server = HTTPServer(("127.0.0.1", 0), Handler)
    heard.url = f"http://127.0.0.1:{server.server_port}"
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


@pytest.fixture
def post() -> Iterator[Post]:
    handler = Post()

    def authenticate(_server: Any, _session: Any, _envelope: Any, _how: str, data: Any) -> Any:
        handler.logins.append((data.login, data.password))
        return AuthResult(success=data.password == b"heather", handled=False)

    async def serve() -> asyncio.Server:
        def session() -> SMTP:
            return SMTP(handler, authenticator=authenticate, auth_require_tls=False)

        return await asyncio.get_running_loop().create_server(session, "127.0.0.1", 0)

    loop = asyncio.new_event_loop()
    server = loop.run_until_complete(serve())
    handler.port = server.sockets[0].getsockname()[1]
    thread = threading.Thread(target=loop.run_forever)
    thread.start()
    try:
        yield handler
    finally:
        loop.call_soon_threadsafe(server.close)
        loop.call_soon_threadsafe(loop.stop)
        thread.join()
        loop.close()

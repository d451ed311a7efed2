"""Signs of life, so that silence is noticed from outside: a file, a ping, systemd's watchdog."""

from __future__ import annotations

import contextlib
import json
import os
import socket
import threading
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

from autocell.errors import AutocellError
from autocell.notices.secrets import resolved
from autocell.notices.senders import fetch
from autocell.whole_file import put

_BEAT_S = 10.0
_PING_S = 60.0


class Heartbeat:
    """Shows what is being done, at most every ten seconds, and pings at most every minute.

    ``now_s`` is a clock that never goes back. The file is JSON: ``utc``, ``doing``, ``process``.
    """

    def __init__(
        self,
        now_s: Callable[[], float],
        file: Path | None = None,
        ping_url: str | None = None,
        tell: Callable[[str], None] = print,
    ) -> None:
        self._now_s = now_s
        self._file = file
        self._ping_url = ping_url
        self._tell = tell
        self._beat_s = self._pinged_s = float("-inf")
        self._ping: threading.Thread | None = None
        self._told: dict[str, str] = {}  # the last complaint of each kind

    def beat(self, doing: str) -> None:
        """Something is being done. Never raises: a full disk must not end a night."""
        if self._now_s() - self._beat_s < _BEAT_S:
            return
        self._beat_s = self._now_s()
        notify_systemd("WATCHDOG=1", f"STATUS={doing}")
        if self._file is not None:
            try:
                self._write(self._file, doing)
            except OSError as error:
                trouble = f"The heartbeat file {self._file} cannot be written: {error}"
                self._complain("file", trouble)
            else:
                self._told.pop("file", None)
        if self._ping_url is not None and self._now_s() - self._pinged_s >= _PING_S:
            self._pinged_s = self._now_s()
            self._start_ping(self._ping_url)

    def _write(self, file: Path, doing: str) -> None:
        told = {"utc": datetime.now(UTC).isoformat(), "doing": doing, "process": os.getpid()}
        put(file, json.dumps(told) + "\n")

    def _start_ping(self, url: str) -> None:
        """In a thread: a slow network must keep no procedure waiting."""
        if self._ping is not None and self._ping.is_alive():
            return
        self._ping = threading.Thread(target=self._try_ping, args=(url,), daemon=True)
        self._ping.start()

    def _try_ping(self, url: str) -> None:
        try:
            fetch(resolved(url))
        except (OSError, AutocellError) as error:
            self._complain("ping", f"The ping was not answered: {error}")
        else:
            self._told.pop("ping", None)

    def _complain(self, kind: str, text: str) -> None:
        """Once for each trouble, not at every beat."""
        if text != self._told.get(kind):
            self._told[kind] = text
            self._tell(text)


def notify_systemd(*lines: str) -> None:
    """Tell the service manager (sd_notify(3)), if it started this process and wants to know."""
    place = os.environ.get("NOTIFY_SOCKET")
    if not place:
        return
    name = "\0" + place[1:] if place.startswith("@") else place
    with (
        contextlib.suppress(OSError),
        socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as manager,
    ):
        manager.sendto("\n".join(lines).encode(), name)

"""Real lines for anything that has the two directions of a line: a pseudo-terminal, a TCP port.

A port that is unplugged is gone: connections break, nothing can be opened until it is back, and
what is back may have another name.
"""

from __future__ import annotations

import contextlib
import os
import select
import socket
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Protocol

from autocell.bench.protocols import Clock
from autocell_simulators.lines import Line

LOOPBACK = "127.0.0.1"
_CHUNK = 4096
_END_WITHIN_S = 5.0

Renamed = Callable[[str], None]
"""Told the name under which a port has come back."""


class Port(Protocol):
    """One served line."""

    def run(self, stop: socket.socket) -> None:
        """Serve until ``stop`` becomes readable, then let go of everything."""
        ...


@contextmanager
def running(port: Port, name: str) -> Iterator[None]:
    """Serve ``port`` in a thread until left."""
    wake, stop = socket.socketpair()
    thread = threading.Thread(target=port.run, args=(stop,), name=f"served {name}", daemon=True)
    thread.start()
    try:
        yield
    finally:
        wake.send(b"x")
        thread.join(_END_WITHIN_S)
        wake.close()
        stop.close()


class PseudoTerminal:
    """A serial line. Its own end of the client's side stays open: clients may come and go.

    ``also`` is watched too: when it becomes readable, the line is asked for what is due.
    """

    def __init__(
        self,
        line: Line,
        clock: Clock,
        renamed: Renamed = lambda name: None,
        also: Callable[[], int | None] = lambda: None,
    ) -> None:
        self._line = line
        self._clock = clock
        self._renamed = renamed
        self._also = also
        self._known = line.port
        self._nudges = _Nudges()
        line.tell_of_port(self._nudges.give)
        self._ends: tuple[int, int] | None = None
        self.path = ""
        self._open()

    def run(self, stop: socket.socket) -> None:
        """Serve until ``stop`` becomes readable, then let go of everything."""
        try:
            while True:
                patience_s = _patience(self._line, self._clock)
                ours = [] if self._ends is None else [self._ends[0]]
                nudged = self._nudges.fileno()
                watched = [*ours, stop.fileno(), nudged, *_descriptor(self._also)]
                readable = _readable(watched, stop.fileno(), patience_s)
                if stop.fileno() in readable:
                    return
                if nudged in readable:
                    self._nudges.take()
                self._follow_plug()
                if self._ends is not None:
                    self._serve(self._ends[0] in readable)
        finally:
            self._close()
            self._nudges.close()

    def _serve(self, has_data: bool) -> None:
        assert self._ends is not None
        ours, _ = self._ends
        if has_data:
            with contextlib.suppress(BlockingIOError):
                self._line.feed(os.read(ours, _CHUNK))
        if due := self._line.take():
            # nobody reads and the line is full: lost, as on a wire without handshake
            with contextlib.suppress(BlockingIOError):
                os.write(ours, due)

    def _follow_plug(self) -> None:
        before, self._known = self._known, self._line.port
        if self._known == before:
            return
        if self._known.unplugged != before.unplugged:
            self._close()
            self._line.hang_up()
        if self._known.plugged_in and self._ends is None:
            old = self.path
            self._open(other_than=old if self._known.renamed != before.renamed else "")
            if self.path != old:
                self._renamed(self.path)

    def _open(self, other_than: str = "") -> None:
        import tty

        ours, theirs = os.openpty()
        path = os.ttyname(theirs)
        if path == other_than:  # hold this name while asking for another
            held = ours, theirs
            ours, theirs = os.openpty()
            path = os.ttyname(theirs)
            for end in held:
                os.close(end)
        tty.setraw(theirs)
        os.set_blocking(ours, False)
        self._ends, self.path = (ours, theirs), path

    def _close(self) -> None:
        ends, self._ends = self._ends, None
        for end in ends or ():
            os.close(end)


class TcpPort:
    """A TCP port for one client at a time; whoever comes meanwhile is turned away."""

    def __init__(
        self,
        line: Line,
        clock: Clock,
        renamed: Renamed = lambda name: None,
        also: Callable[[], int | None] = lambda: None,
    ) -> None:
        self._line = line
        self._clock = clock
        self._renamed = renamed
        self._also = also
        self._known = line.port
        self._nudges = _Nudges()
        line.tell_of_port(self._nudges.give)
        self._client: socket.socket | None = None
        self._client_has_finished = False
        self._listener: socket.socket | None = None
        self.number = 0
        self._listen()

    def run(self, stop: socket.socket) -> None:
        """Serve until ``stop`` becomes readable, then let go of everything."""
        with contextlib.ExitStack() as at_the_end:
            at_the_end.callback(self._nudges.close)
            at_the_end.callback(self._stop_listening)
            at_the_end.callback(self._drop_client)
            while stop not in (readable := self._wait(stop)):
                if self._nudges.fileno() in readable:
                    self._nudges.take()
                self._follow_plug()
                if self._client in readable:
                    self._receive()
                self._send()
                if self._listener in readable:
                    self._accept()

    def _wait(self, stop: socket.socket) -> list[socket.socket | int]:
        watched: list[socket.socket | int] = [stop, self._nudges.fileno()]
        watched += _descriptor(self._also)
        if self._listener is not None:
            watched.append(self._listener)
        if self._client is not None and not self._client_has_finished:
            watched.append(self._client)
        return _readable(watched, stop, _patience(self._line, self._clock))

    def _follow_plug(self) -> None:
        before, self._known = self._known, self._line.port
        if self._known == before:
            return
        if self._known.unplugged != before.unplugged:
            self._drop_client()
            self._stop_listening()
            self._line.hang_up()
        if self._known.plugged_in and self._listener is None:
            old = self.number
            if self._known.renamed != before.renamed:
                self.number = 0
            self._listen()
            if self.number != old:
                self._renamed(str(self.number))

    def _listen(self) -> None:
        self._listener = socket.create_server((LOOPBACK, self.number))
        self._listener.setblocking(False)
        self.number = self._listener.getsockname()[1]

    def _stop_listening(self) -> None:
        listener, self._listener = self._listener, None
        if listener is not None:
            listener.close()

    def _accept(self) -> None:
        if self._listener is None:
            return
        try:
            newcomer, _ = self._listener.accept()
        except OSError:  # gone again
            return
        if self._client is not None and not self._client_has_finished:
            self._receive()  # perhaps it has just left
        if self._client is not None and not self._client_has_finished:
            newcomer.close()
            return
        self._drop_client()
        newcomer.setblocking(False)
        newcomer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._client = newcomer

    def _receive(self) -> None:
        """Take in all that the client sent. One that has finished still gets its replies."""
        if self._client is None:
            return
        try:
            while data := self._client.recv(_CHUNK):
                self._line.feed(data)
            self._client_has_finished = True
        except BlockingIOError:
            return
        except OSError:
            self._drop_client()

    def _send(self) -> None:
        due = self._line.take()
        if self._client is None:
            return
        try:
            if due:
                self._client.sendall(due)
        except OSError:  # gone, or not reading for so long that its buffer is full
            self._drop_client()
            return
        if self._client_has_finished and not self._line.busy:
            self._drop_client()

    def _drop_client(self) -> None:
        client, self._client = self._client, None
        self._client_has_finished = False
        if client is not None:
            client.close()
            self._line.hang_up()


class _Nudges:
    """Wakes a thread that waits for descriptors, from any other thread."""

    def __init__(self) -> None:
        self._give, self._take = socket.socketpair()
        self._give.setblocking(False)
        self._take.setblocking(False)

    def fileno(self) -> int:
        return self._take.fileno()

    def give(self) -> None:
        # full of nudges, or nobody there any more
        with contextlib.suppress(OSError):
            self._give.send(b"x")

    def take(self) -> None:
        with contextlib.suppress(BlockingIOError):
            self._take.recv(_CHUNK)

    def close(self) -> None:
        self._give.close()
        self._take.close()


def _descriptor(also: Callable[[], int | None]) -> list[int]:
    descriptor = also()
    return [] if descriptor is None else [descriptor]


def _readable(
    watched: Sequence[socket.socket | int], stop: socket.socket | int, patience_s: float | None
) -> list[socket.socket | int]:
    """What of it is readable, once something is. What is watched besides our own may be closed
    meanwhile by whoever owns it: then nothing is, but ``stop``."""
    try:
        return select.select(watched, [], [], patience_s)[0]
    except OSError:
        return select.select([stop], [], [], 1e-3)[0]


def _patience(line: Line, clock: Clock) -> float | None:
    """How long to wait for the client before something is due; None is for ever."""
    next_s = line.next_s
    return None if next_s is None else max(next_s - clock.now(), 0.0)

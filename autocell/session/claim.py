"""One owner per bench: who that is, since when, and how to stop it from outside.

A bench is claimed by listening on a socket whose name follows from the addresses of its
controllers. It is one of Linux's abstract sockets (unix(7)): the kernel gives the name to one
process, it needs no file, and it ends with its process however that ends. Elsewhere nothing is
claimed; the ports themselves still have one owner each.
"""

from __future__ import annotations

import contextlib
import getpass
import hashlib
import json
import os
import select
import socket
import struct
import sys
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from autocell.errors import Busy

if TYPE_CHECKING:
    from autocell.description import BenchDescription

CAN_CLAIM = sys.platform == "linux"
USE, PROGRAMME = "autocell-bench-", "autocell-programme-"
"""A bench is used by one command at a time, and has one programme, which leaves it to others while
it waits."""

_ANSWER_S = 2.0
_STOP_ANSWER_S = 30.0
_LONGEST_LINE = 4096
_LISTENS = 0x10000
"""Flag of a socket that listens, in ``/proc/net/unix`` (proc(5))."""


@dataclass(frozen=True)
class Owner:
    """Who has a bench. ``since_utc`` is ISO 8601."""

    bench: str
    bench_path: str
    command: str
    process: int
    user: str
    since_utc: str

    @classmethod
    def myself(cls, bench: BenchDescription, command: str) -> Owner:
        """This process, from now on."""
        now = datetime.now(UTC).isoformat(timespec="seconds")
        return cls(bench.name, str(bench.path), command, os.getpid(), _user(), now)

    def __str__(self) -> str:
        since = datetime.fromisoformat(self.since_utc).astimezone()
        return (
            f"'autocell {self.command}' (process {self.process}, user {self.user}), since "
            f"{since:%Y-%m-%d %H:%M:%S}"
        )


@dataclass(frozen=True)
class Stop:
    """What came of a stop that was asked for: whether there was anything to stop, the errors of
    axes that did not confirm, by name, and whose run it was."""

    told: bool
    unconfirmed: Mapping[str, str]
    owner: Owner | None = None


StopNow = Callable[[str], Stop]
"""Stops what is under way in the name of whoever is given; called from a thread of its own."""


def _nothing_under_way(_by: str) -> Stop:
    return Stop(told=False, unconfirmed={})


class Ownership:
    """A bench that this process owns. Others are told who it is, and may stop what it does."""

    def __init__(self, owner: Owner) -> None:
        self._owner = owner
        self._stop: StopNow = _nothing_under_way

    @contextmanager
    def stopping(self, stop: StopNow) -> Iterator[None]:
        """Within this, ``stop`` is what a stop from outside does."""
        before, self._stop = self._stop, stop
        try:
            yield
        finally:
            self._stop = before

    def answer(self, line: str, caller: str) -> str:
        """The reply to one line of another process."""
        if line == "who":
            return json.dumps(asdict(self._owner))
        if line == "stop":
            stop = self._stop(f"'autocell stop' ({caller})")
            told = {"told": stop.told, "unconfirmed": dict(stop.unconfirmed)}
            return json.dumps({**told, "owner": asdict(self._owner)})
        return json.dumps({"error": "the words are who and stop"})


@contextmanager
def claim(bench: BenchDescription, command: str, what: str = USE) -> Iterator[Ownership]:
    """Own a bench (or its programme) until left. Raises Busy, which says who has it and since
    when."""
    owner = Owner.myself(bench, command)
    ownership = Ownership(owner)
    with contextlib.ExitStack() as listening:
        listeners = []
        for name in claim_names(bench, what):
            listeners.append(listening.enter_context(_listener(name, bench)))
        wake, woken = socket.socketpair()
        listening.callback(woken.close)
        thread = threading.Thread(
            target=_serve, args=(listeners, woken, ownership), name="claim", daemon=True
        )
        thread.start()
        try:
            yield ownership
        finally:
            wake.close()
            thread.join()


def claim_names(bench: BenchDescription, what: str = USE) -> list[str]:
    """The names of the sockets that stand for a bench, one for each of its controllers.

    A device file that is not there is left out: there is nothing to own.
    """
    if not CAN_CLAIM:
        return []
    movers = {axis.device for axis in bench.axes.values()}
    places = {_place(bench.devices[name].address) for name in movers}
    return sorted(what + hashlib.sha256(p.encode()).hexdigest()[:16] for p in places if p)


def claimed_names() -> list[str]:
    """The sockets of all benches and programmes of this machine that are owned now, those of
    benches first."""
    if not CAN_CLAIM:
        return []
    rows = Path("/proc/net/unix").read_text(encoding="utf-8", errors="replace").splitlines()[1:]
    names = set()
    for row in rows:
        _, _, _, flags, *_, path = row.split()
        if path.startswith((f"@{USE}", f"@{PROGRAMME}")) and int(flags, 16) & _LISTENS:
            names.add(path.removeprefix("@"))
    return sorted(names)


def owner_of(name: str) -> Owner | None:
    """Who listens on a socket; None when nobody answers."""
    try:
        return Owner(**json.loads(_ask(name, "who", _ANSWER_S)))
    except (OSError, ValueError, TypeError):
        return None


def ask_to_stop(name: str) -> Stop:
    """Have the owner of a bench stop what it does.

    Raises OSError when it does not answer; ValueError, KeyError or TypeError for an answer that is
    none of :meth:`Ownership.answer`.
    """
    told = json.loads(_ask(name, "stop", _STOP_ANSWER_S))
    return Stop(bool(told["told"]), dict(told["unconfirmed"]), Owner(**told["owner"]))


def _ask(name: str, line: str, patience_s: float) -> str:
    with socket.socket(socket.AF_UNIX) as caller:
        caller.settimeout(patience_s)
        caller.connect(b"\0" + name.encode())
        caller.sendall(line.encode() + b"\n")
        return _read_line(caller)


def _place(address: str) -> str:
    """What two spellings of one address have in common; empty when nothing can be there."""
    if address.startswith("/"):
        return os.path.realpath(address) if os.path.exists(address) else ""
    return address.lower()


@contextmanager
def _listener(name: str, bench: BenchDescription) -> Iterator[socket.socket]:
    with socket.socket(socket.AF_UNIX) as listener:
        try:
            listener.bind(b"\0" + name.encode())
        except OSError as error:
            owner = owner_of(name)
            who = f"process {listening_process(name)}, which does not answer"
            raise Busy(
                f"{bench.name} is in use by {owner or who}; wait until it has ended, or end it "
                "with 'autocell stop'"
            ) from error
        listener.listen()
        yield listener


def _serve(listeners: Sequence[socket.socket], woken: socket.socket, ownership: Ownership) -> None:
    """Answer callers, each in a thread of its own so that none can keep a stop waiting.

    Who was heard is answered before the claim ends: a process that a stop has ended must not take
    the answer along.
    """
    answering: list[threading.Thread] = []
    while woken not in (ready := select.select([*listeners, woken], [], [])[0]):
        answering = [thread for thread in answering if thread.is_alive()]
        for listener in ready:
            with contextlib.suppress(OSError):
                caller, _ = listener.accept()
                answer = threading.Thread(target=_answer, args=(caller, ownership), daemon=True)
                answer.start()
                answering.append(answer)
    for answer in answering:
        answer.join(_ANSWER_S)


def _answer(caller: socket.socket, ownership: Ownership) -> None:
    with caller, contextlib.suppress(OSError):
        caller.settimeout(_ANSWER_S)
        line = _read_line(caller)
        caller.sendall(ownership.answer(line, _peer(caller)).encode() + b"\n")


def _read_line(line: socket.socket) -> str:
    received = b""
    while b"\n" not in received and len(received) < _LONGEST_LINE:
        more = line.recv(_LONGEST_LINE)
        if not more:
            break
        received += more
    return received.partition(b"\n")[0].decode(errors="replace")


def _peer(caller: socket.socket) -> str:
    process, user_id = _credentials(caller)
    return f"process {process}, user {_user(user_id)}"


def _credentials(connected: socket.socket) -> tuple[int, int]:
    """Process and user number at the other end (SO_PEERCRED, unix(7))."""
    if sys.platform != "linux":
        return 0, 0
    size = struct.calcsize("3i")
    told = connected.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, size)
    process, user_id, _ = struct.unpack("3i", told)
    return process, user_id


def listening_process(name: str) -> str:
    try:
        with socket.socket(socket.AF_UNIX) as caller:
            caller.settimeout(_ANSWER_S)
            caller.connect(b"\0" + name.encode())
            return str(_credentials(caller)[0])
    except OSError:
        return "unknown"


def _user(user_id: int | None = None) -> str:
    """A user's name, or the number where it has none."""
    try:
        if user_id is None:
            return getpass.getuser()
        import pwd

        return pwd.getpwuid(user_id).pw_name
    except (KeyError, OSError, ImportError):
        return str(os.getuid() if user_id is None else user_id)

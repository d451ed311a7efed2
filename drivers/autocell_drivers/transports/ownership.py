"""One owner per line, and who that is."""

from __future__ import annotations

import contextlib
import hashlib
import os
import sys
import tempfile
from pathlib import Path
from typing import IO

from autocell.errors import Busy


def holders(device: str) -> list[int]:
    """Process numbers that have a device file open, as far as this system tells (Linux).

    Whoever also serves a pseudo-terminal is left out: it is the instrument's end of the line.
    """
    found = []
    target = os.path.realpath(device)
    for process in Path("/proc").glob("[0-9]*"):
        opened = _open_files(process)
        if target in opened and "/dev/ptmx" not in opened and "/dev/pts/ptmx" not in opened:
            found.append(int(process.name))
    return sorted(found)


def locker(device: str) -> list[int]:
    """Process number that has the exclusive lock of a device file, as far as this system tells."""
    found = []
    with contextlib.suppress(OSError):
        about = os.stat(device)
        place = f"{os.major(about.st_dev):02x}:{os.minor(about.st_dev):02x}:{about.st_ino}"
        for entry in Path("/proc/locks").read_text(encoding="ascii").splitlines():
            _, kind, _, _, pid, locked, *_ = entry.split()
            if kind == "FLOCK" and locked == place and int(pid) > 0:
                found.append(int(pid))
    return found or holders(device)


def _open_files(process: Path) -> set[str]:
    names = set()
    # Processes of other users, and those that end meanwhile, cannot be looked into.
    with contextlib.suppress(OSError):
        for descriptor in (process / "fd").iterdir():
            with contextlib.suppress(OSError):
                names.add(os.readlink(descriptor))
    return names


def describe(pids: list[int]) -> str:
    """Processes by name and number, for a message."""
    if not pids:
        return "another program (this system does not tell which)"
    return ", ".join(_describe_one(pid) for pid in pids)


def _describe_one(pid: int) -> str:
    if pid == os.getpid():
        return f"this program itself (process {pid})"
    try:
        name = Path(f"/proc/{pid}/comm").read_text(encoding="utf-8").strip()
    except OSError:
        return f"process {pid}"
    return f"{name} (process {pid})"


def busy(address: str, pids: list[int]) -> Busy:
    """The error for a line that somebody else owns."""
    return Busy(f"{address} is in use by {describe(pids)}; close it there, then try again")


class Claim:
    """A claim on a network address, kept against every other autocell of this user.

    A socket has no exclusive open, so a locked file stands for it. Where files cannot be locked
    the claim is void and nothing is kept out. Raises Busy, naming who holds the claim.
    """

    def __init__(self, address: str) -> None:
        self._file: IO[str] | None = None
        if sys.platform == "win32":
            return
        import fcntl

        name = hashlib.sha256(address.lower().encode()).hexdigest()[:16]
        folder = Path(tempfile.gettempdir()) / f"autocell-{os.getuid()}"
        folder.mkdir(mode=0o700, exist_ok=True)
        file = open(folder / f"line-{name}.lock", "a+", encoding="ascii")  # noqa: SIM115
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            file.seek(0)
            holder = file.read().strip()
            file.close()
            raise busy(address, [int(holder)] if holder.isdigit() else []) from error
        file.truncate(0)
        file.write(str(os.getpid()))
        file.flush()
        self._file = file

    def release(self) -> None:
        """Give the address back. Harmless twice."""
        if self._file is not None:
            self._file.close()
            self._file = None

"""Faults of the computer that the tool runs on (row 35): its clock, its disk, its store.

A program in another process than the simulated bench sees those of its files alone.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import ClassVar

from autocell_simulators.faults.fault import HOUR, Cue, Effect, Fault, Number, Rig, Word

_RUBBISH = b"\x00 no store at all "


class ClockChange(Fault):
    """The time of day jumps: summer time, or somebody sets the clock.

    Ask the bench for the time of day (``wall_time_s``); its own clock never jumps.
    """

    name: ClassVar = "clock-change"
    rows: ClassVar = (35,)
    piles_up: ClassVar = True
    hours: Number = 1.0

    def begin(self, rig: Rig, cue: Cue) -> Effect:
        """Jump."""
        bench, by_s = rig.whole, self.hours * HOUR
        bench.clock_ahead_s += by_s

        def undo() -> None:
            bench.clock_ahead_s -= by_s

        return Effect(undo=undo)


class FullDisk(Fault):
    """No file of this process can grow beyond the size of ``file``: writing more is an error.

    It is the limit that POSIX systems put on the size of files (``RLIMIT_FSIZE``), so it is for
    tests in one process with the bench, and only where there is that limit.
    """

    name: ClassVar = "full-disk"
    rows: ClassVar = (35,)
    file: Word

    def begin(self, rig: Rig, cue: Cue) -> Effect:
        """Full."""
        import resource

        before = resource.getrlimit(resource.RLIMIT_FSIZE)
        resource.setrlimit(resource.RLIMIT_FSIZE, (Path(self.file).stat().st_size, before[1]))
        return Effect(undo=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, before))

    def objections(self, rig: Rig) -> Iterator[tuple[str, str]]:
        """A system without that limit."""
        try:
            import resource  # noqa: F401
        except ImportError:
            yield "fault", "this system puts no limit on the size of files; take it out"


class UnreadableStore(Fault):
    """The first bytes of a file are rubbish; as they were when the fault ends."""

    name: ClassVar = "unreadable-store"
    rows: ClassVar = (35,)
    file: Word

    def begin(self, rig: Rig, cue: Cue) -> Effect:
        """Overwrite them; a file that is not there becomes one that is not a store."""
        path = Path(self.file)
        before = path.read_bytes()[: len(_RUBBISH)] if path.exists() else b""
        _overwrite(path, _RUBBISH)
        return Effect(undo=lambda: _overwrite(path, before) if before else path.unlink())


def _overwrite(path: Path, start: bytes) -> None:
    path.touch()
    with path.open("r+b") as file:
        file.write(start)

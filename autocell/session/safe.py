"""A bench is made safe before anything is said of a run store that cannot be read or written, or
was waited for in vain."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime

from autocell.bench.clock import RealClock
from autocell.bench.opening import open_bench
from autocell.bench.protocols import Clock, Connect
from autocell.description import BenchDescription
from autocell.errors import AutocellError, Stopped, StoreError
from autocell.session.claim import claim


def _machine_utc() -> datetime:
    return datetime.now(UTC)


@dataclass(frozen=True)
class Lines:
    """What carries time and bytes: the machine's clock, its ports and its date, unless told
    otherwise."""

    clock: Callable[[], Clock] = RealClock
    connect: Connect | None = None
    utc: Callable[[], datetime] = _machine_utc


def stop_everything(description: BenchDescription, lines: Lines = Lines()) -> dict[str, Exception]:
    """Open a bench that nobody uses and tell every axis to stop; who raised what."""
    with open_bench(description, clock=lines.clock(), connect=lines.connect) as bench:
        return bench.stop()


@contextmanager
def safe_first(
    description: BenchDescription, lines: Lines = Lines(), *, owned: bool = False
) -> Iterator[None]:
    """A StoreError that passes through is raised again, and says so, once every axis of the bench
    was told to stop: a run before may have left one moving, and without its journal nothing else
    can be done. ``owned`` says that the bench is claimed already; of somebody else's the axes are
    left to whoever that is.

    Stopped, which ends a wait for a locked store, and Ctrl-C before a command turns it into that,
    are treated likewise; where the bench is owned, :class:`autocell.session.stops.Stops` does so.
    """
    try:
        yield
    except StoreError as error:
        raise StoreError(f"{error}; {_made_safe(description, lines, owned)}") from error
    except (Stopped, KeyboardInterrupt) as stop:
        if owned:
            raise
        kind, by = (
            (type(stop), stop) if isinstance(stop, Stopped) else (Stopped, "stopped by SIGINT")
        )
        raise kind(f"{by}; {_made_safe(description, lines, owned)}") from stop


def _made_safe(description: BenchDescription, lines: Lines, owned: bool) -> str:
    ours: AbstractContextManager[object] = contextlib.nullcontext()
    try:
        with ours if owned else claim(description, "stop"):
            unconfirmed = stop_everything(description, lines)
    except AutocellError as trouble:
        return f"and the axes could not be told to stop: {trouble}"
    if unconfirmed:
        silent = "; ".join(f"{axis}: {error}" for axis, error in unconfirmed.items())
        return f"every axis was told to stop, but not all confirmed it: {silent}"
    return "every axis was told to stop, nothing else was done"

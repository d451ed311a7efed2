"""Rehearsals on a Dask cluster (optional extra ``dask``).

The workers need the same version of autocell and the bench file, with the files it names, at the
same path: both are asked for before work is sent. One rehearsal runs at a time in each worker
process, so that the processor time it reports is its own: start workers with one thread each.
"""

from __future__ import annotations

import hashlib
import threading
from collections.abc import Generator, Iterable
from functools import partial
from typing import TYPE_CHECKING

from autocell import __version__
from autocell.errors import Disconnected, UsageError
from autocell_simulators.rehearsal.one import Rehearsal
from autocell_simulators.rehearsal.plan import CarryOut, Plan

if TYPE_CHECKING:
    from distributed import Client

_PATIENCE_S = 10
_one_at_a_time = threading.Lock()


def on_dask(address: str) -> CarryOut:
    """Carry rehearsals out on the cluster whose scheduler is at ``address``.

    Dask sends the work of a dead worker to another one; a bench whose workers die again and
    again is recorded as failed.

    Raises UsageError when the extra is not installed. The work itself raises UsageError when no
    scheduler answers, or a worker lacks the bench file or has another version, and Disconnected
    when the cluster goes away.
    """
    try:
        import distributed  # noqa: F401
    except ImportError as error:
        raise UsageError(
            "--dask needs dask.distributed, which is not installed: pip install 'autocell[dask]'"
        ) from error
    return partial(_on_dask, address=address)


def _on_dask(plan: Plan, indices: Iterable[int], address: str) -> Generator[Rehearsal, None, None]:
    from distributed import Client, as_completed

    try:
        client = Client(address, timeout=_PATIENCE_S, set_as_default=False)
    except (OSError, ValueError) as error:
        raise UsageError(f"--dask {address}: no Dask scheduler answers there: {error}") from error
    with client:
        _check_workers(client, plan)
        futures = {
            # not pure: the campaign file, not the cluster, remembers what is done
            client.submit(_rehearse, plan, index, pure=False): index
            for index in indices
        }
        for future in as_completed(futures, loop=client.loop):
            if future.cancelled():
                raise Disconnected(f"--dask {address}: the cluster let go of the work")
            trouble = future.exception()
            if trouble is None:
                yield future.result()
            else:
                yield plan.failed(futures[future], f"{type(trouble).__name__}: {trouble}")
            future.release()


def _check_workers(client: Client, plan: Plan) -> None:
    try:
        client.wait_for_workers(1, timeout=_PATIENCE_S)
    except TimeoutError as error:
        raise UsageError(f"--dask: the cluster got no workers in {_PATIENCE_S} s") from error
    expected = (__version__, plan.description.sha256)
    for worker, found in client.run(_what_is_there, str(plan.description.path)).items():
        if found != expected:
            raise UsageError(
                f"--dask: worker {worker} has autocell {found[0]} and "
                f"{'no' if found[1] is None else 'another'} bench file at "
                f"{plan.description.path}; it needs autocell {__version__} and the same file there"
            )


def _what_is_there(path: str) -> tuple[str, str | None]:
    """Version of autocell and hash of the bench file, on a worker."""
    try:
        with open(path, "rb") as file:
            return __version__, hashlib.file_digest(file, "sha256").hexdigest()
    except OSError:
        return __version__, None


def _rehearse(plan: Plan, index: int) -> Rehearsal:
    with _one_at_a_time:
        return plan.rehearse(index)

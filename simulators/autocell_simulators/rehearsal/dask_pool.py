"""Rehearsals on a Dask cluster (optional extra ``dask``).

The workers need the same version of autocell and the bench file, with the files it names, at the
same path: both are asked for before work is sent. One rehearsal runs at a time in each worker
process, so that the processor time it reports is its own: start workers with one thread each.
"""

from __future__ import annotations

import asyncio
import hashlib
import threading
from collections.abc import Generator, Iterable
from concurrent.futures import CancelledError
from functools import partial
from typing import TYPE_CHECKING

from autocell import __version__
from autocell.errors import Disconnected, UsageError
from autocell_simulators.rehearsal.one import Rehearsal
from autocell_simulators.rehearsal.plan import CarryOut, Lost, Plan

if TYPE_CHECKING:
    from distributed import Client, Future

_PATIENCE_S = 10
_one_at_a_time = threading.Lock()


def on_dask(address: str) -> CarryOut:
    """Carry rehearsals out on the cluster whose scheduler is at ``address``.

    Dask sends the work of a dead worker to another one. A bench whose workers died again and
    again is tried once more alone, when all others are done: only one whose workers die then too
    is lost.

    Raises UsageError when the extra is not installed, ``address`` is none, or no scheduler answers
    there. The work itself raises UsageError when a worker lacks the bench file or has another
    version, and Disconnected when the cluster goes away.
    """
    try:
        import distributed  # noqa: F401
    except ImportError as error:
        raise UsageError(
            "--dask needs dask.distributed, which is not installed: pip install 'autocell[dask]'"
        ) from error
    _check_address(address)
    return partial(_on_dask, address=address)


def _check_address(address: str) -> None:
    """Before there is a client: one that finds nobody complains once more when it is collected."""
    from distributed.comm.addressing import get_address_host_port

    try:
        get_address_host_port(address)
    except ValueError as error:
        raise UsageError(
            f"--dask {address}: no address of a Dask scheduler, which is tcp://HOST:PORT: {error}"
        ) from error
    try:
        asyncio.run(_call_on(address))
    except (OSError, ValueError) as error:
        raise _nobody_answers(address, error) from error


async def _call_on(address: str) -> None:
    """Connect as a client does, and leave. Raises OSError."""
    from distributed.comm.core import connect
    from distributed.security import Security

    comm = await connect(address, timeout=_PATIENCE_S, **Security().get_connection_args("client"))
    await comm.close()


def _nobody_answers(address: str, error: Exception) -> UsageError:
    return UsageError(f"--dask {address}: no Dask scheduler answers there: {error}")


def _on_dask(
    plan: Plan, indices: Iterable[int], address: str
) -> Generator[Rehearsal | Lost, None, None]:
    from distributed import Client, KilledWorker, as_completed

    try:
        client = Client(address, timeout=_PATIENCE_S, set_as_default=False)
    except (OSError, ValueError) as error:
        raise _nobody_answers(address, error) from error
    with client:
        _check_workers(client, plan)
        futures = {
            # not pure: the campaign file, not the cluster, remembers what is done
            client.submit(_rehearse, plan, index, pure=False): index
            for index in indices
        }
        under_suspicion = []
        for future in as_completed(futures, loop=client.loop):
            if isinstance(_trouble(future, address), KilledWorker):
                # it may only have been beside the one that killed the worker
                under_suspicion.append(futures[future])
            else:
                yield _outcome(futures[future], future, address)
            future.release()
        for index in under_suspicion:
            alone = client.submit(_rehearse, plan, index, pure=False)
            yield _outcome(index, alone, address)
            alone.release()


def _trouble(future: Future, address: str) -> BaseException | None:
    """What ended a rehearsal on the cluster, once it has ended. Raises Disconnected."""
    gone = Disconnected(f"--dask {address}: the cluster let go of the work")
    if future.cancelled():
        raise gone
    try:
        trouble: BaseException | None = future.exception()
    except CancelledError as error:
        raise gone from error
    return trouble


def _outcome(index: int, future: Future, address: str) -> Rehearsal | Lost:
    """What a rehearsal on the cluster came to."""
    trouble = _trouble(future, address)
    if trouble is None:
        rehearsal: Rehearsal = future.result()
        return rehearsal
    return Lost(index, f"{type(trouble).__name__}: {trouble}")


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

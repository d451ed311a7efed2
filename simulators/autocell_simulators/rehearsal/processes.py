"""Rehearsals in worker processes of this machine."""

from __future__ import annotations

import multiprocessing
import multiprocessing.connection
import os
import signal
import threading
from collections import deque
from collections.abc import Generator, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from functools import partial
from multiprocessing.connection import Connection
from typing import Any, Protocol, TypeVar

from autocell_simulators.rehearsal.plan import CarryOut, Lost
from autocell_simulators.rehearsal.threads import ONE_THREAD

R = TypeVar("R")
R_co = TypeVar("R_co", covariant=True)


class Work(Protocol[R_co]):
    """What is rehearsed, bench by bench."""

    def rehearse(self, index: int) -> R_co:
        """Bench number ``index``; raises nothing."""
        ...

    def warm_up(self) -> None:
        """Load what every rehearsal needs; raises nothing."""
        ...


_DIED_TWICE = "its worker process died twice, the second time with nothing else at work"


def cores() -> int:
    """How many cores this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def in_processes(workers: int) -> CarryOut:
    """Carry rehearsals out in ``workers`` processes, each with one thread.

    When a process dies, every bench that was under way is rehearsed again, alone: the one that
    kills its process then too is lost, and the others are not blamed for it.
    """
    return partial(carry_out, workers=workers)


def carry_out(
    work: Work[R], indices: Iterable[int], workers: int
) -> Generator[R | Lost, None, None]:
    """Rehearse benches in worker processes, as :func:`in_processes` says; each as it is done."""
    waiting, suspects = deque(indices), deque[int]()
    while waiting or suspects:
        if suspects:
            for index in (yield from _until_one_dies(work, suspects, 1)):
                yield Lost(index, _DIED_TWICE)
        else:
            suspects += yield from _until_one_dies(work, waiting, workers)


def _until_one_dies(
    work: Work[R], waiting: deque[int], workers: int
) -> Generator[R, None, list[int]]:
    """Rehearse what is waiting; the indices that were under way when a process died."""
    under_way: dict[Future[R], int] = {}
    lost: list[int] = []
    context = multiprocessing.get_context("spawn")
    wanted, no_longer = context.Pipe(duplex=False)
    pool = ProcessPoolExecutor(
        min(workers, len(waiting)),
        mp_context=context,
        initializer=_begin_work,
        initargs=(work, wanted),
    )
    try:
        while (waiting and not lost) or under_way:
            # no more than can be at work: what is lost with a process was then under way
            while waiting and not lost and len(under_way) < workers:
                index = waiting.popleft()
                try:
                    with _as_workers_start():
                        under_way[pool.submit(_rehearse, index)] = index
                except BrokenProcessPool:
                    lost.append(index)
            done, _ = wait(under_way, return_when=FIRST_COMPLETED)
            for future in done:
                index = under_way.pop(future)
                try:
                    rehearsal = future.result()
                except BrokenProcessPool:
                    lost.append(index)
                else:
                    yield rehearsal
    finally:
        if under_way:  # nobody waits for it any more: whoever is at work on it ends at once
            no_longer.close()
        pool.shutdown(wait=True, cancel_futures=True)
        no_longer.close()
        wanted.close()
    return sorted(lost)


@contextmanager
def _as_workers_start() -> Iterator[None]:
    """New processes inherit one thread, and are deaf to Ctrl-C until they can end quietly."""
    before = {name: os.environ.get(name) for name in ONE_THREAD}
    os.environ.update(ONE_THREAD)
    blocks = hasattr(signal, "pthread_sigmask")
    mask = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT}) if blocks else set()
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value
        if blocks:
            signal.pthread_sigmask(signal.SIG_SETMASK, mask)


_work: Work[Any]
"""Of this worker process, given once at its start."""


def _begin_work(work: Work[Any], wanted: Connection) -> None:
    global _work
    _work = work
    # Ctrl-C reaches the workers too; they end at once and say nothing, the parent speaks.
    signal.signal(signal.SIGINT, signal.SIG_DFL)
    if hasattr(signal, "pthread_sigmask"):
        signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGINT})
    threading.Thread(target=_end_with_parent, args=(wanted,), daemon=True).start()
    work.warm_up()


def _end_with_parent(wanted: Connection) -> None:
    """A worker whose parent was killed would wait for work for ever, and one whose parent was
    interrupted would end what it is at, which takes minutes."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        multiprocessing.connection.wait((parent.sentinel, wanted))
        os._exit(1)


def _rehearse(index: int) -> Any:
    return _work.rehearse(index)

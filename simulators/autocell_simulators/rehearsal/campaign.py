"""Many rehearsals: those that are missing are carried out and written down, one by one."""

from __future__ import annotations

import time
from collections.abc import Callable
from contextlib import closing

from autocell_simulators.rehearsal.campaign_file import CampaignFile
from autocell_simulators.rehearsal.one import Rehearsal
from autocell_simulators.rehearsal.plan import CarryOut, Lost, Plan

ShowProgress = Callable[[int, int, float | None], None]
"""Told how many benches are done, of how many, and how many seconds are left, if that is known."""


def unseen(done: int, total: int, seconds_left: float | None) -> None:
    """Progress that nobody looks at."""


def forget(lost: Lost) -> None:
    """A loss that nobody counts."""


def rehearse_all(
    plan: Plan,
    benches: int,
    file: CampaignFile,
    carry_out: CarryOut,
    progress: ShowProgress = unseen,
    tell_lost: Callable[[Lost], None] = forget,
) -> list[Rehearsal]:
    """The results of benches 0 to ``benches`` − 1, in that order, but for those that were lost.

    What ``file`` has already is not done again. It keeps nothing of a bench that was lost, so that
    going on tries it again. Whatever interrupts this leaves a file from which the same call goes
    on.

    Raises:
        UsageError: some are missing and other code has made the rest; nothing was done.
    """
    missing = [index for index in range(benches) if index not in file.results]
    if missing:
        file.check_code()
    began_s = time.monotonic()
    progress(benches - len(missing), benches, None)
    with closing(carry_out(plan, missing)) as results:
        for count, rehearsal in enumerate(results, start=1):
            if isinstance(rehearsal, Lost):
                tell_lost(rehearsal)
            else:
                file.append(rehearsal)
            left = len(missing) - count
            per_bench_s = (time.monotonic() - began_s) / count
            progress(benches - left, benches, left * per_bench_s)
    return [file.results[index] for index in range(benches) if index in file.results]

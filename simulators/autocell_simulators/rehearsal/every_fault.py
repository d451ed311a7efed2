"""A change of the pass count under each fault alone, at its usual size, on the same benches.

    python -m autocell_simulators.rehearsal.every_fault run --benches 20
    python -m autocell_simulators.rehearsal.every_fault report

``run`` makes what is missing in the folder of results, one file for each fault; stopped, it goes
on where it was. ``report`` prints a table for docs/faults.md, and how those ended that did not
reach the count. The bench is one of the shipped ones, but for the address of its controller: that
names the instrument, as a bench that may be left alone has it, so that a lost line can come back.
"""

from __future__ import annotations

import os

from autocell_simulators.rehearsal.threads import ONE_THREAD

os.environ.update(ONE_THREAD)

import argparse
import dataclasses
import signal
import statistics
import sys
from collections import Counter
from collections.abc import Generator, Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from types import FrameType

from autocell.bench.file import load, shipped
from autocell.description import BenchDescription
from autocell_simulators.faults.alone import NEEDS_A_FILE, PAIRS, alone, together
from autocell_simulators.faults.catalogue import FAULTS
from autocell_simulators.rehearsal.campaign import rehearse_all
from autocell_simulators.rehearsal.campaign_file import CampaignFile
from autocell_simulators.rehearsal.copies import in_a_copy
from autocell_simulators.rehearsal.one import REHEARSAL, Rehearsal
from autocell_simulators.rehearsal.plan import Plan
from autocell_simulators.rehearsal.summary import Fate, fate

NOTHING = "nothing"
"""The row of the same benches without any fault."""

_HANGS_CPU_S = 120.0
"""A change computes for some seconds; one that computes for so long would never end."""

HEAD = (
    "| Row | Fault | Struck | Reached and true | Held | Failed | Wrong | Limits | Hung | Time |",
    "|---|---|---|---|---|---|---|---|---|---|",
)


class _HangsError(Exception):
    """A rehearsal does not come to an end."""


def plans(description: BenchDescription, passes: int, seed: int, store: Path) -> dict[str, Plan]:
    """The plan of every row by its name: nothing, each fault by its row, each pair. Where a fault
    is one of files, the run is written down in ``store``."""
    fault_free = Plan(description, passes, seed)
    names = sorted(FAULTS, key=lambda name: FAULTS[name].rows)
    # what is written last is in a file beside the store until that is closed (write-ahead log)
    files = {"full-disk": Path(f"{store}-wal"), "unreadable-store": store}
    rows = {name: alone(name, description, files.get(name)) for name in names}
    rows |= {name: together(pair, description, name=name) for name, pair in PAIRS.items()}
    return {NOTHING: fault_free} | {
        name: dataclasses.replace(
            fault_free, scenario=scenario, store=store if name in NEEDS_A_FILE else None
        )
        for name, scenario in rows.items()
    }


def named_by_serial_number(description: BenchDescription) -> BenchDescription:
    """The same bench with addresses that lead to the same instrument after it was unplugged."""
    devices = {}
    for name, device in description.devices.items():
        address = device.address
        if address.startswith("/dev/"):
            address = f"serial-number:INVENTED-{name}"
        devices[name] = dataclasses.replace(
            device, address=address, section={**device.section, "address": address}
        )
    return dataclasses.replace(description, devices=devices)


def one_by_one(plan: Plan, indices: Iterable[int]) -> Generator[Rehearsal, None, None]:
    """Carry rehearsals out in this process; one that hangs is broken off and failed."""

    for index in indices:
        yield _bounded(plan, index) if plan.store is None else _with_store(plan, index, plan.store)


def _bounded(plan: Plan, index: int) -> Rehearsal:
    def hangs(_number: int, _frame: FrameType | None) -> None:
        raise _HangsError(f"still computing after {_HANGS_CPU_S:g} s")

    before = signal.signal(signal.SIGPROF, hangs)
    signal.setitimer(signal.ITIMER_PROF, _HANGS_CPU_S)
    try:
        return plan.rehearse(index)
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0.0)
        signal.signal(signal.SIGPROF, before)


def _with_store(plan: Plan, index: int, store: Path) -> Rehearsal:
    """With an empty run store, in a copy of this process: it is the process that can write no
    more once the disk is full."""
    for file in store.parent.glob(f"{store.name}*"):
        file.unlink()
    told = in_a_copy(lambda: REHEARSAL.dump_json(_bounded(plan, index)))
    return REHEARSAL.validate_json(told) if told else plan.failed(index, "its process died")


def hung(rehearsal: Rehearsal, plan: Plan) -> bool:
    """Whether it went on for longer than the bench file allows, or would have for ever."""
    too_long_s = 1.1 * plan.description.caps.time_s
    return "_HangsError" in rehearsal.reason or (rehearsal.bench_time_s or 0.0) > too_long_s


def row(
    name: str, plan: Plan, done: Sequence[Rehearsal], undisturbed: Mapping[int, Rehearsal]
) -> str:
    """One line of the table."""
    fates = Counter(fate(rehearsal, plan.passes) for rehearsal in done)
    numbers = FAULTS[name].rows if name in FAULTS else ()
    struck = sum(bool(rehearsal.struck) for rehearsal in done)
    cells = (
        ", ".join(map(str, numbers)),
        f"`{name}`" if name in FAULTS else name,
        f"{struck} of {len(done)}" if plan.scenario else "",
        str(fates[Fate.REACHED_TRUE]),
        str(fates[Fate.HELD]),
        str(fates[Fate.FAILED]),
        str(fates[Fate.WRONG]),
        str(sum(rehearsal.limit_violations or 0 for rehearsal in done)),
        str(sum(hung(rehearsal, plan) for rehearsal in done)),
        _times(plan, done, undisturbed),
    )
    return f"| {' | '.join(cells)} |"


def _times(plan: Plan, done: Sequence[Rehearsal], undisturbed: Mapping[int, Rehearsal]) -> str:
    """Median bench time over that of the same bench without a fault, of those that reached."""
    ratios = [
        rehearsal.bench_time_s / before_s
        for rehearsal in done
        if fate(rehearsal, plan.passes) is Fate.REACHED_TRUE
        and rehearsal.bench_time_s is not None
        and rehearsal.index in undisturbed
        and (before_s := undisturbed[rehearsal.index].bench_time_s) is not None
    ]
    return f"{statistics.median(ratios):.2f}" if ratios else ""


def endings(plan: Plan, done: Sequence[Rehearsal]) -> Iterator[str]:
    """How those ended that did not reach the count."""
    for rehearsal in done:
        end = fate(rehearsal, plan.passes)
        if end is not Fate.REACHED_TRUE or rehearsal.limit_violations:
            yield f"    {rehearsal.index}: {end.value}, {rehearsal.true_passes}: {rehearsal.reason}"


def main(arguments: list[str]) -> int:
    """Run or report."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("do", choices=("run", "report"))
    parser.add_argument("--bench", default="peat-bog", help="one that comes along")
    parser.add_argument("--passes", type=int, default=38)
    parser.add_argument("--seed", type=int, default=20261125)
    parser.add_argument("--benches", type=int, default=20)
    parser.add_argument("--only", nargs="*", help="only these faults")
    parser.add_argument("--folder", type=Path, default=Path("build") / "every-fault")
    given = parser.parse_args(arguments)
    bench = named_by_serial_number(load(shipped(given.bench)))
    every = plans(bench, given.passes, given.seed, given.folder / "run-store.sqlite")
    chosen = {name: plan for name, plan in every.items() if name in (given.only or every)}
    files = {
        name: CampaignFile(given.folder / f"{name.replace(' ', '-')}.jsonl", plan)
        for name, plan in {NOTHING: every[NOTHING], **chosen}.items()
    }
    undisturbed = files[NOTHING].results
    if given.do == "run":
        every[NOTHING].warm_up()
        for name, plan in chosen.items():
            done = rehearse_all(plan, given.benches, files[name], one_by_one)
            print(row(name, plan, done, undisturbed), flush=True)
            print("\n".join(endings(plan, done)), file=sys.stderr, flush=True)
        return 0
    print("\n".join(HEAD))
    for name, plan in chosen.items():
        if done := [files[name].results[index] for index in sorted(files[name].results)]:
            print(row(name, plan, done, undisturbed))
            print("\n".join(endings(plan, done)), file=sys.stderr)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))

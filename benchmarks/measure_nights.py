"""How long thirty nights of a programme take on the virtual clock, and how much memory.

    python benchmarks/measure_nights.py
    python benchmarks/measure_nights.py --only changes

The programme that comes along changes the pass count three times a night; another one proves one
anew every night, and the last recovers, after a first evening, what was proved then. All run with
the procedures, drivers, journal and morning pages of every day against one simulated bench whose
room swings, mounts creep and laser drifts. Nothing is waited for: what it takes by the clock is
computing, some of it on two cores at once; what both have done is beside it. It ends with exit code
1 when a proof was wrong or an axis was led beyond its limits, by the simulator's own account.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

from autocell_simulators.bench import SimulatedBench
from autocell_simulators.faults.scenario import Scenario
from autocell_simulators.inprocess import connector

from autocell.bench.clock import VirtualClock
from autocell.bench.file import load as load_bench
from autocell.bench.file import shipped
from autocell.outcome import Outcome
from autocell.programme.around import Around
from autocell.programme.night import Conductor
from autocell.programme.programme import load
from autocell.programme.wall import VirtualWall
from autocell.session.safe import Lines

_EVENING = datetime(2026, 10, 20, 15, 0, tzinfo=UTC)
_LOOKED_AT = (1, 5, 10, 20, 30)
_WRONG, _BEYOND = "WRONG", "limit violations"

DRIFT = (
    {"fault": "room-temperature"},
    {"fault": "spacing-expansion"},
    {"fault": "mount-tilt"},
    {"fault": "launch-pointing"},
    {"fault": "laser-drift"},
    {"fault": "creep"},
)

RECOVERING = """
programme: recover what was proved (invented)
bench: peat-bog
time_zone: Europe/Helsinki
every_night_at: "03:00"
steps:
  - recover: last
"""
PROVING = """
programme: prove it anew (invented)
bench: peat-bog
time_zone: Europe/Helsinki
every_night_at: "03:00"
steps:
  - change: 62
"""
BEFORE = """
programme: a first evening (invented)
bench: peat-bog
time_zone: Europe/Helsinki
steps:
  - change: 62
"""


def nights(
    count: int, folder: Path, *programmes: Path
) -> Iterator[tuple[int, float, float, Counter[str]]]:
    """After each night of the last programme: its number, seconds by the clock and of computing so
    far, verdicts so far. Those before it are carried out once, on the same bench."""
    clock = VirtualClock()
    wall = VirtualWall(clock, _EVENING)
    simulated = SimulatedBench(load_bench(shipped("peat-bog")), 5, clock, scenario=Scenario())
    simulated.begin(*DRIFT)
    verdicts: Counter[str] = Counter()

    def ended(outcome: Outcome) -> None:
        proved = outcome.proof is not None and outcome.proof.proved
        passes = int(simulated.optics.exit(simulated.true_positions()).passes)
        verdicts[_WRONG if proved and passes != outcome.passes else outcome.verdict.value] += 1
        # of the bench since its beginning
        verdicts[_BEYOND] = sum(axis.counts.limit_violations for axis in simulated.axes.values())

    around = Around(
        wall, folder / "runs.sqlite", Lines(lambda: clock, connector(simulated)), ended=ended
    )
    began, began_computing = time.perf_counter(), time.process_time()
    for path in programmes[:-1]:
        Conductor(load(path), around).once()
    going_on = Conductor(load(programmes[-1]), around).every_night()
    for number in range(1, count + 1):
        next(going_on)
        computing = time.process_time() - began_computing
        yield number, time.perf_counter() - began, computing, verdicts


def resident_mb() -> float:
    """Memory of this process; NaN where the system does not say it so."""
    try:
        pages = int(Path("/proc/self/statm").read_text("ascii").split()[1])
    except OSError:
        return float("nan")
    return 1e-6 * pages * os.sysconf("SC_PAGE_SIZE")


def main() -> int:
    """Carry them out and print; the exit code."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--nights", type=int, default=30)
    parser.add_argument("--only", choices=("recoveries", "change", "changes"), help="one of them")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "before.yaml").write_text(BEFORE, "utf-8")
        (folder / "recovering.yaml").write_text(RECOVERING, "utf-8")
        (folder / "proving.yaml").write_text(PROVING, "utf-8")
        bad = 0
        shipped_one = shipped("peat-bog").with_name("peat-bog-nights.yaml")
        for kind, what, *programmes in (
            (
                "recoveries",
                "a recovery a night",
                folder / "before.yaml",
                folder / "recovering.yaml",
            ),
            ("change", "a change a night", folder / "proving.yaml"),
            ("changes", "three changes a night", shipped_one),
        ):
            if given.only not in (None, kind):
                continue
            print(f"{what}: nights, s by the clock, s of computing, MB")
            (folder / what).mkdir()
            for number, seconds, computing, verdicts in nights(
                given.nights, folder / what, *programmes
            ):
                if number in (*_LOOKED_AT, given.nights):
                    print(
                        f"  {number:3d} {seconds:8.1f} {computing:8.1f} {resident_mb():6.0f}"
                        f"  {dict(verdicts)}",
                        flush=True,
                    )
            bad += verdicts[_WRONG] + verdicts[_BEYOND]
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())

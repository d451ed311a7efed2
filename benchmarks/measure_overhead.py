"""What driver, guard and journal add to a reading, over the bare exchanges that it is made of.

    python benchmarks/measure_overhead.py

A process of its own (answering.py) answers at once, on a TCP port as a power meter, and on a
pseudo-terminal and a second TCP port as a motion controller. Each round makes the bare exchanges
(write, then read up to the ending, on the socket or the terminal itself) and the same by way of
driver, guard, and the whole bench with its run store, so that all see the same machine; on one that
is busy with something else the lower decile tells more than the median.

A reading is one sample of the meter and the positions of five axes afterwards. The store is once in
memory, where writing costs what it computes, and once on the disk of the temporary folder, where
each record is waited for until the disk has it.
"""

from __future__ import annotations

import argparse
import dataclasses
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

from autocell.bench.bench import Bench
from autocell.bench.clock import RealClock
from autocell.bench.file import load, shipped
from autocell.bench.opening import NoJournal, open_bench
from autocell.bench.protocols import Journal
from autocell.description import BenchDescription
from autocell.records import Store

_AXES = 5
Run = Callable[[], object]
Journals = dict[str, Journal]
Times = tuple[float, float]


@contextmanager
def answering() -> Iterator[tuple[int, int, str]]:
    """Ports of the meter and of the controller, and the terminal of the controller."""
    process = subprocess.Popen(
        [sys.executable, str(Path(__file__).with_name("answering.py"))],
        stdout=subprocess.PIPE,
        encoding="utf-8",
    )
    assert process.stdout is not None
    meter, motion, terminal = process.stdout.readline().split()
    try:
        yield int(meter), int(motion), terminal
    finally:
        process.kill()
        process.wait()


def bare(line: int, message: bytes, ending: bytes) -> None:
    """One exchange without any of ours."""
    os.write(line, message)
    heard = b""
    while not heard.endswith(ending):
        heard += os.read(line, 4096)


def at(addresses: dict[str, str]) -> BenchDescription:
    """The shipped bench with its instruments here."""
    described = load(shipped("peat-bog"))
    devices = {
        name: dataclasses.replace(
            device, address=addresses[name], section={**device.section, "address": addresses[name]}
        )
        for name, device in described.devices.items()
    }
    caps = dataclasses.replace(described.caps, readings=10**6)
    return dataclasses.replace(described, devices=devices, shutter=None, caps=caps)


def times_us(runs: dict[str, Run], rounds: int) -> dict[str, Times]:
    """Median and lower decile of each, one after the other in each round."""
    times: dict[str, list[float]] = {name: [] for name in runs}
    for _ in range(rounds):
        for name, run in runs.items():
            began = time.perf_counter_ns()
            run()
            times[name].append(1e-3 * (time.perf_counter_ns() - began))
    return {
        name: (statistics.median(of), statistics.quantiles(of, n=10)[0])
        for name, of in times.items()
    }


@contextmanager
def opened(description: BenchDescription, folder: Path) -> Iterator[tuple[Bench, Journals]]:
    """The bench, and journals for it: none, in memory, on disk."""
    with (
        Store.open(":memory:") as memory,
        Store.open(folder / "runs.sqlite") as disk,
        open_bench(description, clock=RealClock()) as bench,
    ):
        begun = [
            store.begin("overhead", description, datetime.now(UTC), "0", {})
            for store in (memory, disk)
        ]
        yield bench, dict(zip(("none", "memory", "disk"), (NoJournal(), *begun), strict=True))


def measure(wire: str, rounds: int) -> dict[str, Times]:
    """Times in µs with the controller on a TCP port or on a pseudo-terminal."""
    with (
        answering() as (meter_port, motion_port, terminal),
        tempfile.TemporaryDirectory() as folder,
        opened(
            at(
                {
                    "meter": f"TCPIP::127.0.0.1::{meter_port}::SOCKET",
                    "motion": f"socket://127.0.0.1:{motion_port}" if wire == "TCP" else terminal,
                }
            ),
            Path(folder),
        ) as (bench, journals),
    ):
        guard, channel = bench._guard, bench._metering._meter
        axis = guard._axes["pitch"]
        port = axis._controller._transport._transport._port
        to_motion = (port._socket if wire == "TCP" else port).fileno()
        to_meter = channel._exchange._transport._transport._interface().fileno()
        for line in (to_meter, to_motion):
            os.set_blocking(line, True)
        places = [b"%d PO?\r" % (number + 1) for number in range(_AXES)]
        bench.clock.sleep(0.2)  # so that it has settled
        reading = bench.read_power("first", max_samples=1)

        def bare_reading() -> None:
            bare(to_meter, b"READ?\n", b"\n")
            for place in places:
                bare(to_motion, place, b"\r\n")

        def read(journal: str) -> None:
            bench._journal = journals[journal]
            bench.read_power("any", max_samples=1)

        return times_us(
            {
                "bare exchange, meter": lambda: bare(to_meter, b"READ?\n", b"\n"),
                "the same by its driver": channel.read,
                "bare exchange, controller": lambda: bare(to_motion, places[1], b"\r\n"),
                "the same by driver": axis.position,
                "the same by guard and driver": lambda: guard.position("pitch"),
                "record, store in memory": lambda: journals["memory"].reading(reading, "any"),
                "record, store on disk": lambda: journals["disk"].reading(reading, "any"),
                "bare exchanges of a reading": bare_reading,
                "reading, nothing recorded": lambda: read("none"),
                "reading, store in memory": lambda: read("memory"),
                "reading, store on disk": lambda: read("disk"),
            },
            rounds,
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=200)
    given = parser.parse_args()
    for wire in ("TCP", "a pseudo-terminal"):
        found = measure(wire, given.rounds)
        print(f"Controller on {wire}: µs, median and lower decile; and over the bare exchanges")
        least = found["bare exchanges of a reading"]
        for name, us in found.items():
            line = f"  {name:<30}" + "".join(f"{one:9.0f}" for one in us)
            if name.startswith("reading"):
                line += "".join(
                    f"{one - bare_us:9.0f}" for one, bare_us in zip(us, least, strict=True)
                )
            print(line, flush=True)


if __name__ == "__main__":
    main()

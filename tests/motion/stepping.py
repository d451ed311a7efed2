"""The invented bench with open-loop drives for pitch and yaw, whose steps differ by direction."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from autocell_simulators.bench import SimulatedBench
from autocell_simulators.faults.scenario import Scenario, read
from autocell_simulators.inprocess import connector

from autocell.bench.bench import Bench
from autocell.bench.clock import VirtualClock
from autocell.bench.file import load, shipped
from autocell.bench.opening import open_bench
from autocell.description import BenchDescription, OpenLoopDescription
from tests.bench.conftest import MemoryJournal

STEERING = ("pitch", "yaw")
STEP = 0.5e-6
"""rad; that of the simulated drive unless told otherwise."""

STEPS = OpenLoopDescription.within(STEP, 0.2, 0.05, 10.0)


def stepping(
    bench: BenchDescription | None = None, steps: OpenLoopDescription | None = STEPS
) -> BenchDescription:
    """The bench file of a bench whose pitch and yaw count their steps; None for one that does not
    say so."""
    bench = bench or load(shipped("peat-bog"))
    axes = {name: replace(bench.axes[name], backlash=0.0, open_loop=steps) for name in STEERING}
    return replace(bench, axes={**bench.axes, **axes})


def drives(*, pitch: float = 20.0, yaw: float = 20.0, faults: Sequence[str] = ()) -> Scenario:
    """Drives whose steps backward are smaller by these shares, %."""
    unequal = [
        f"{{fault: step-asymmetry, axis: {name}, percent: {percent}}}"
        for name, percent in (("pitch", pitch), ("yaw", yaw))
        if percent
    ]
    drive = "{drive: piezo-inertia, step_urad: 0.5}"
    return read(
        f"scenario: open loop\nseed: 3\naxes: {{pitch: {drive}, yaw: {drive}}}\n"
        f"faults: [{', '.join([*unequal, *faults])}]\n"
    )


@dataclass
class Stepping:
    """An opened bench, the simulated one behind it, its journal, and where it truly began."""

    bench: Bench
    simulated: SimulatedBench
    journal: MemoryJournal
    began: dict[str, float]

    def off(self) -> float:
        """How far the steering axes truly are from where they began, rad."""
        now = self.simulated.true_positions()
        return float(np.hypot(*(now[name] - self.began[name] for name in STEERING)))

    def light(self) -> float:
        """Share of the arriving light that truly leaves the cell now."""
        return float(self.simulated.optics.exit(self.simulated.true_positions()).power)

    def truth(self) -> dict[str, Any]:
        """What the simulator knows."""
        return self.simulated.truth_report()


def to_the_edge(simulated: SimulatedBench, share: float = 0.8) -> None:
    """Turn the beam of the pattern that stands there until this share of its light is left."""
    places = simulated.true_positions()

    def light(turned: float) -> float:
        turn = {name: places[name] + turned for name in STEERING}
        return float(simulated.optics.exit({**places, **turn}).power)

    whole = light(0.0)
    turned = next(t for t in np.arange(0.0, 12e-3, 5e-5) if light(t) < share * whole)
    for name in STEERING:
        simulated.axes[name].place(places[name] + turned)


@contextmanager
def opened(
    scenario: Scenario,
    description: BenchDescription | None = None,
    *,
    seed: int = 7,
    share: float | None = 0.8,
) -> Iterator[Stepping]:
    """A bench at six passes, at the edge of the light unless ``share`` is None."""
    description, clock, journal = description or stepping(), VirtualClock(), MemoryJournal()
    simulated = SimulatedBench(description, seed, clock, scenario=scenario)
    if share is not None:
        to_the_edge(simulated, share)
    connect = connector(simulated)
    with open_bench(description, clock=clock, connect=connect, journal=journal) as bench:
        bench.vouch_for(description.axes)
        yield Stepping(bench, simulated, journal, simulated.true_positions())

"""One night: a pattern is proved in the evening, the bench drifts or worse, and is recovered."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from pydantic import TypeAdapter

from autocell.bench.clock import VirtualClock
from autocell.bench.opening import open_bench
from autocell.description import BenchDescription
from autocell.errors import AutocellError
from autocell.outcome import Outcome, Verdict
from autocell.procedures.change import change_passes
from autocell.procedures.progress import Listener, nobody
from autocell.procedures.recovery.recover import recover
from autocell.procedures.recovery.reference import ReferenceSetting
from autocell.recovery import CauseName
from autocell_simulators.bench import SimulatedBench
from autocell_simulators.faults.scenario import Scenario
from autocell_simulators.inprocess import connector
from autocell_simulators.rehearsal.bounds import TookTooLong, bounded
from autocell_simulators.rehearsal.copies import in_a_copy
from autocell_simulators.rehearsal.one import bench_seed
from autocell_simulators.rehearsal.what_happens import (
    CAUSES,
    DISPLACED,
    HOURS,
    displace,
    what_happens,
)

_MOST_CPU_S = 900.0
"""Computing that one night may take; one seen took 11 s, on a slow machine."""

_WITHIN, _UNSEEN = 0.02, 0.04
"""Shares of the light that a night may cost and surely need nothing, or perhaps show nothing: on
both sides of the limit that bench files have unless they say otherwise."""

T = TypeVar("T")


@dataclass(frozen=True)
class RehearsedNight:
    """What one night came to, claimed and true.

    ``serious`` is the fault that happened beside drift. ``light_left`` is the true light that
    leaves the cell over that of the evening, the laser taken out, before anything was recovered;
    ``laser_left`` the laser alone. ``cause`` is the one that was named, ``possible`` those that
    could not be told apart.
    """

    index: int
    seed: int
    verdict: Verdict
    reason: str
    serious: str | None = None
    proved: bool = False
    passes: int | None = None
    wanted_passes: int | None = None
    true_passes: int | None = None
    light_left: float | None = None
    laser_left: float | None = None
    light_after: float | None = None
    cause: CauseName | None = None
    possible: tuple[CauseName, ...] = ()
    steps: tuple[str, ...] = ()
    moves: int = 0
    readings: int = 0
    travel_m: float = 0.0
    bench_time_s: float = 0.0
    limit_violations: int = 0

    @property
    def wrong(self) -> bool:
        """Whether what it says of the pass count is not so: a proof, or that nothing changed."""
        claims = self.proved or self.verdict is Verdict.UNCHANGED
        return claims and self.true_passes != self.wanted_passes

    @property
    def needed_nothing(self) -> bool:
        """Whether only drift happened, and left pass count and light as they were."""
        left = self.light_left
        if self.serious is not None or left is None:
            return False
        return abs(left - 1.0) < _WITHIN

    @property
    def set_right(self) -> bool:
        """Whether it ended with the pattern as it was in the evening."""
        return (
            self.verdict in (Verdict.UNCHANGED, Verdict.RECOVERED)
            and self.true_passes == self.wanted_passes
        )

    def named(self, *, knows_laser: bool) -> str:
        """How the cause was named: right, undetermined or wrong.

        Undetermined is right where the bench cannot tell: without a reference meter laser and
        window are one. So is no cause for a fault that cost no light.
        """
        wanted = CAUSES.get(self.serious or "", ())
        if self.cause is None:
            return "right" if not wanted or self._unseen(knows_laser) else "undetermined"
        if self.cause in wanted:
            return "right"
        if self.cause is not CauseName.UNDETERMINED:
            return "wrong"
        cannot = not knows_laser and {CauseName.LASER, CauseName.WINDOW} & set(wanted)
        return "right" if cannot and set(wanted) <= set(self.possible) else "undetermined"

    def _unseen(self, knows_laser: bool) -> bool:
        left = self.light_left or 0.0
        laser = 1.0 if knows_laser else (self.laser_left or 0.0)
        return self.set_right and abs(left * laser - 1.0) < _UNSEEN


NIGHT: TypeAdapter[RehearsedNight] = TypeAdapter(RehearsedNight)
"""How a night is written and read."""


@dataclass(frozen=True)
class Evening:
    """A simulated bench on which a pattern was proved, undisturbed, before the night begins."""

    bench: SimulatedBench
    clock: VirtualClock
    outcome: Outcome

    @classmethod
    def of(
        cls, description: BenchDescription, passes: int, seed: int, clock: VirtualClock
    ) -> Evening:
        """Prove ``passes`` passes on the bench that is drawn from ``seed``."""
        bench = SimulatedBench(description, seed, clock, scenario=Scenario())
        with open_bench(description, clock=clock, connect=connector(bench)) as opened:
            opened.vouch_for(description.axes)
            outcome = change_passes(opened, passes)
        return cls(bench, clock, dataclasses.replace(outcome, run="evening"))

    def night(
        self, index: int, seed: int, listener: Listener = nobody, *, serious_only: bool = False
    ) -> RehearsedNight:
        """Let night number ``index`` go by, in which happens what ``seed`` says, and recover; with
        ``serious_only`` surely something serious, kind after kind."""
        bench, clock, description = self.bench, self.clock, self.bench.description
        wanted, drawn = self.outcome.wanted_passes, bench.truth.seed
        if self.outcome.verdict is not Verdict.REACHED or wanted is None:
            why = f"no evening: {self.outcome.reason}"
            return RehearsedNight(index, drawn, self.outcome.verdict, why, wanted_passes=wanted)
        light, laser = _light(bench)
        kind = index if serious_only else None
        drift, serious = what_happens(seed, description.reference_meter is not None, kind)
        nights = HOURS / 24.0 if serious is None else serious.get("nights", HOURS / 24.0)
        reference = ReferenceSetting.of(self.outcome, self.outcome, nights)
        bench.begin(*drift)
        clock.sleep(HOURS * 3600.0)
        if serious is not None and serious["fault"] in DISPLACED:
            displace(
                bench, **{key: serious[key] for key in serious.keys() & {"um", "x_um", "y_um"}}
            )
        elif serious is not None:
            bench.begin(serious)
            if serious["fault"] == "condensation":
                clock.sleep(HOURS * 3600.0)
        left, laser_left = _light(bench)
        with open_bench(description, clock=clock, connect=connector(bench)) as opened:
            opened.vouch_for(description.axes)
            outcome = recover(opened, reference, listener=listener)
        # Only here, with the outcome fixed, is the simulator asked what is true.
        name = None if serious is None else str(serious["fault"])
        return _night(index, bench, outcome, wanted, name, left / light, laser_left / laser, light)


def rehearse_nights(
    description: BenchDescription,
    passes: int,
    indices: Sequence[int],
    *,
    campaign_seed: int,
    bench: int,
    listener: Listener = nobody,
    serious_only: bool = False,
) -> list[RehearsedNight]:
    """Prove ``passes`` passes on drawn bench number ``bench``, and rehearse nights ``indices`` from
    there, each as if there were no other.

    It raises nothing: what ends a rehearsal is the reason of a failed one, also that it took
    longer than any night may.
    """
    seed = bench_seed(campaign_seed, bench)

    def failed(index: int, reason: str) -> RehearsedNight:
        return RehearsedNight(index, seed, Verdict.FAILED, reason, wanted_passes=passes)

    def night(evening: Evening, index: int) -> RehearsedNight:
        def go_by() -> RehearsedNight:
            seed = bench_seed(campaign_seed, index)
            return evening.night(index, seed, listener, serious_only=serious_only)

        ended = _whatever_happens(evening.clock, description, go_by)
        return failed(index, ended) if isinstance(ended, str) else ended

    clock = VirtualClock()
    evening = _whatever_happens(
        clock, description, lambda: Evening.of(description, passes, seed, clock)
    )
    if isinstance(evening, str):
        return [failed(index, f"no evening: {evening}") for index in indices]
    if len(indices) == 1:
        return [night(evening, indices[0])]

    def in_its_copy(index: int) -> RehearsedNight:
        told = in_a_copy(lambda: NIGHT.dump_json(night(evening, index)))
        return NIGHT.validate_json(told) if told else failed(index, "its process died")

    return [in_its_copy(index) for index in indices]


def _whatever_happens(
    clock: VirtualClock, description: BenchDescription, go_on: Callable[[], T]
) -> T | str:
    """What comes of it, or why nothing does."""
    try:
        with bounded(clock, clock.now() + _most_bench_s(description), _MOST_CPU_S):
            return go_on()
    except (AutocellError, TookTooLong) as error:
        return str(error)
    except Exception as error:
        return f"{type(error).__name__}: {error}"


def _most_bench_s(description: BenchDescription) -> float:
    """Bench time within which everything ends that keeps to its caps: a run with a way back and
    with lines that are waited for, and what happens before it."""
    return 2.0 * HOURS * 3600.0 + 2.0 * description.caps.time_s + 3600.0


def _light(bench: SimulatedBench) -> tuple[float, float]:
    """Share of the laser that leaves to the meter, and the laser's power (W), both true."""
    with bench.present() as now_s:
        optics = bench.optics
        return optics.fraction(bench.true_positions()), optics.arriving_w(now_s - bench.start_s)


def _night(
    index: int,
    bench: SimulatedBench,
    outcome: Outcome,
    passes: int,
    serious: str | None,
    light_left: float,
    laser_left: float,
    light: float,
) -> RehearsedNight:
    told = bench.truth_report()
    recovery = outcome.recovery
    cause = None if recovery is None else recovery.cause
    return RehearsedNight(
        index,
        int(np.int64(told["seed"])),
        outcome.verdict,
        outcome.reason,
        serious,
        outcome.proof is not None and outcome.proof.proved,
        outcome.passes,
        passes,
        int(told["passes"]),
        light_left,
        laser_left,
        _light(bench)[0] / light,
        None if cause is None else cause.name,
        () if cause is None else cause.possible,
        () if recovery is None else tuple(step.name for step in recovery.steps),
        outcome.moves,
        outcome.readings,
        outcome.travel_m,
        outcome.elapsed_s,
        int(told["limit_violations"]),
    )

"""Which runs are made: every optimiser with every objective from every start, and those by hand."""

from __future__ import annotations

import time
from dataclasses import dataclass
from functools import cached_property, partial

from autocell_simulators.rehearsal.one import bench_seed
from autocell_simulators.seeds import stream
from autocell_simulators.truth import draw_truth

from autocell.description import BenchDescription
from benchmarks.optimisers import by_hand, objectives
from benchmarks.optimisers.objectives import Objective, Score
from benchmarks.optimisers.optimisers import FIRST_STEP, OPTIMISERS, Optimise, nelder_mead, quietly
from benchmarks.optimisers.power_bench import READINGS, PowerBench
from benchmarks.optimisers.results import Run
from benchmarks.optimisers.starts import STARTS, Box

POWER, LOG_POWER, NOTHING = "power", "log power", "nothing"
HEIGHT, TRUE_HEIGHT = "known height", "true height"
NOMINAL, NOMINAL_PEAK = "nominal setting", "nominal setting, then local power peak"
SMALL_SIMPLEX, LARGE_SIMPLEX = "Nelder–Mead, half the step", "Nelder–Mead, twice the step"
_METHODS: dict[str, Optimise] = {
    NOMINAL: by_hand.drive_to_nominal,
    NOMINAL_PEAK: by_hand.nominal_then_peak,
    **OPTIMISERS,
    SMALL_SIMPLEX: partial(nelder_mead, first_step=0.5 * FIRST_STEP),
    LARGE_SIMPLEX: partial(nelder_mead, first_step=2.0 * FIRST_STEP),
}
_ALSO_ON_LOG = ("CMA-ES", "Py-BOBYQA", "PyBADS")
_TOLD_THE_TRUTH = ("Nelder–Mead", "COBYQA")
"""The best two from the nominal setting."""

_DARK = 1e-4
"""Of the reference: the meter's noise floor beside a reading of several milliwatts."""


@dataclass(frozen=True)
class Contest:
    """The wanted pass count on benches drawn from a bench file and a seed."""

    description: BenchDescription
    passes: int = 62
    seed: int = 0
    readings: int = READINGS

    @cached_property
    def boxes(self) -> dict[str, Box]:
        """The starts by name."""
        return {name: start(self.description, self.passes) for name, start in STARTS.items()}


@dataclass(frozen=True)
class Entry:
    """One way to try it."""

    method: str
    objective: str
    start: str

    def __str__(self) -> str:
        return f"{self.method}, {self.objective}, from {self.start}"


def entries() -> list[Entry]:
    """All but autocell's own, in the order of the table."""
    return [
        Entry(NOMINAL, NOTHING, "nominal"),
        Entry(NOMINAL_PEAK, POWER, "nominal"),
        *(
            Entry(name, objective, start)
            for start in STARTS
            for objective in (POWER, LOG_POWER, HEIGHT)
            for name in OPTIMISERS
            if objective != LOG_POWER or name in _ALSO_ON_LOG
        ),
        *(
            Entry(name, objective, "nominal")
            for objective in (POWER, HEIGHT)
            for name in (SMALL_SIMPLEX, LARGE_SIMPLEX)
        ),
        *(Entry(name, TRUE_HEIGHT, "nominal") for name in _TOLD_THE_TRUTH),
    ]


def run(contest: Contest, entry: Entry, index: int) -> Run:
    """One run on bench number ``index``. It depends on nothing but its arguments."""
    description, passes = contest.description, contest.passes
    seed = bench_seed(contest.seed, index)
    began_s = time.process_time()
    bench = PowerBench(description, seed, f"meter: {entry}", contest.readings)
    reference_w = bench.read(contest.boxes["six passes"].start)
    box = contest.boxes[entry.start]
    objective = Objective(bench, box, _score(contest, entry.objective, seed), reference_w)
    optimise = _METHODS[entry.method]
    unit = quietly(optimise, objective, box.start_unit, stream(seed, f"optimiser: {entry}"))
    cpu_s = time.process_time() - began_s
    judged = bench.judge(box.positions(unit))
    return Run(
        index=index,
        method=entry.method,
        objective=entry.objective,
        start=entry.start,
        passes=judged.end,
        readings=bench.readings,
        first=_first(judged.along, passes),
        settled=_settled(objective, judged.along, passes) if judged.end == passes else None,
        cpu_s=cpu_s,
    )


def _score(contest: Contest, objective: str, seed: int) -> Score:
    if objective == HEIGHT:
        return objectives.known_height(contest.description, contest.passes)
    if objective == TRUE_HEIGHT:
        return objectives.true_height(draw_truth(contest.description, seed), contest.passes)
    return objectives.log_power(_DARK) if objective == LOG_POWER else objectives.power()


def _first(along: list[int], passes: int) -> int | None:
    """Number of the first reading with the wanted passes, from 1."""
    return along.index(passes) + 1 if passes in along else None


def _settled(objective: Objective, along: list[int], passes: int) -> int:
    """Number of the reading from which on the best one so far had the wanted passes."""
    best, since = float("inf"), len(along)
    wanted = False
    for number, (seen, true) in enumerate(zip(objective.seen, along[1:], strict=True), start=2):
        if seen.score < best:
            best = seen.score
            if true == passes and not wanted:
                since = number
            wanted = true == passes
    return since if wanted else len(along)

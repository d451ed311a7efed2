"""One rehearsal: a procedure on one simulated bench, and what was true of it at the end."""

from __future__ import annotations

import dataclasses
import math
import time
from collections import Counter
from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
from pydantic import TypeAdapter

from autocell import __version__
from autocell.bench.bench import Bench
from autocell.bench.clock import VirtualClock
from autocell.bench.opening import NoJournal, open_bench
from autocell.bench.protocols import Journal
from autocell.description import BenchDescription
from autocell.errors import AutocellError
from autocell.outcome import AxisMargin, Learned, Outcome, Verdict, least_margin
from autocell.procedures.change import change_passes
from autocell.procedures.progress import Listener, Progress, nobody
from autocell.procedures.tuning import Experience
from autocell.records import Store
from autocell_simulators.bench import SimulatedBench
from autocell_simulators.faults.scenario import Scenario
from autocell_simulators.inprocess import connector
from autocell_simulators.optics import TrueOptics
from autocell_simulators.rehearsal.believed import believed
from autocell_simulators.truth import draw_truth

_BEGAN = datetime(2026, 1, 1, tzinfo=UTC)
"""Of every run that is written down: a rehearsal repeats."""


@dataclass(frozen=True)
class Guess:
    """At some moment the tool gave ``passes`` this probability; ``true_passes`` were there."""

    probability: float
    passes: int
    true_passes: int


@dataclass(frozen=True)
class Struck:
    """A fault began on this bench, so many times, by the simulator's own account."""

    fault: str
    times: int


@dataclass(frozen=True)
class Rehearsal:
    """What one bench came to, claimed and true. SI units; ``None`` means unknown, never zero.

    ``seed`` draws the bench (also of ``autocell simulate``), ``index`` is its place in the
    campaign. ``bench_time_s`` is by the virtual clock, ``cpu_s`` by the processor.
    """

    index: int
    seed: int
    verdict: Verdict
    reason: str
    proved: bool = False
    probability: float | None = None
    passes: int | None = None
    true_passes: int | None = None
    readings: int | None = None
    readings_to_proof: int | None = None
    moves: int | None = None
    travel_m: float | None = None
    bench_time_s: float | None = None
    cpu_s: float | None = None
    margin_low_m: float | None = None
    margin_high_m: float | None = None
    true_margin_low_m: float | None = None
    true_margin_high_m: float | None = None
    path_length_m: float | None = None
    path_length_expanded_u_m: float | None = None
    true_path_length_m: float | None = None
    reflectivity: float | None = None
    reflectivity_u: float | None = None
    true_reflectivity: float | None = None
    margin_before_nights: float | None = None
    margin_nights: float | None = None
    limit_violations: int | None = None
    claims: tuple[Guess, ...] = ()
    struck: tuple[Struck, ...] = ()


REHEARSAL: TypeAdapter[Rehearsal] = TypeAdapter(Rehearsal)
"""How a rehearsal is written and read."""


def bench_seed(campaign_seed: int, index: int) -> int:
    """The seed of one bench: it depends on nothing but these two numbers.

    53 bits, so that every reader of JSON keeps all of it.
    """
    sequence = np.random.SeedSequence(campaign_seed, spawn_key=(index,))
    return int(sequence.generate_state(1, np.uint64)[0] >> np.uint64(11))


def rehearse_change(
    description: BenchDescription,
    passes: int,
    *,
    campaign_seed: int,
    index: int,
    scale: float = 1.0,
    learned: Learned | None = None,
    scenario: Scenario | None = None,
    start: str | None = None,
    store: Path | None = None,
    listener: Listener = nobody,
) -> Rehearsal:
    """Change the pass count of bench number ``index``, drawn with tolerances times ``scale``, or
    from what an earlier run learned; found as ``start`` says, and failing as ``scenario`` does. The
    run is written down in a run store at ``store``, or nowhere.

    What is random about the faults follows from the bench's own seed, or from the scenario's and
    ``index``: no two benches of a campaign fail alike. The procedure is the one that ``autocell
    change`` runs, on the drivers it uses, with its default seed. It raises nothing: what ends a
    rehearsal is the reason of a failed one.
    """
    seed = bench_seed(campaign_seed, index)
    try:
        truth = draw_truth(description, seed, scale=scale)
        if learned is not None:
            truth = believed(description, truth, learned)
        bench = SimulatedBench(
            description, truth, VirtualClock(), start=start, scenario=_own(scenario, index)
        )
        with ExitStack() as opened:
            journal: Journal = NoJournal()
            if store is not None:
                runs = opened.enter_context(Store.open(store))
                journal = runs.begin("change", description, _BEGAN, __version__, {})
            return _rehearse(bench, passes, index, learned, journal, listener)
    except Exception as error:
        return failed(campaign_seed, index, _in_words(error))


def failed(campaign_seed: int, index: int, reason: str) -> Rehearsal:
    """A rehearsal of which nothing is known but why."""
    return Rehearsal(index, bench_seed(campaign_seed, index), Verdict.FAILED, reason)


def _own(scenario: Scenario | None, index: int) -> Scenario | None:
    """The scenario with a seed of this bench's own, where it has one for all."""
    if scenario is None or scenario.seed is None:
        return scenario
    return dataclasses.replace(scenario, seed=bench_seed(scenario.seed, index))


def _rehearse(
    bench: SimulatedBench,
    passes: int,
    index: int,
    learned: Learned | None,
    journal: Journal,
    listener: Listener,
) -> Rehearsal:
    guesses: list[tuple[float, int, TrueOptics, dict[str, float]]] = []

    def listen(progress: Progress) -> None:
        # What is true at each guess is noted down beside the procedure, which never sees it.
        if progress.passes is not None and progress.probability is not None:
            positions = bench.true_positions()
            guesses.append((progress.probability, progress.passes, bench.optics, positions))
        listener(progress)

    began_s = time.process_time()
    experience = None if learned is None else Experience(learned, nights=1.0)
    outcome = _carry_out(passes, bench, journal, listen, experience)
    cpu_s = time.process_time() - began_s
    # With the outcome fixed, outcome and guesses are compared with what is true.
    told = bench.truth_report()
    claims = [
        Guess(probability, guessed, int(optics.exit(positions).passes))
        for probability, guessed, optics, positions in guesses
    ]
    return _compare(index, outcome, told, claims, cpu_s)


def _carry_out(
    passes: int,
    simulated: SimulatedBench,
    journal: Journal,
    listener: Listener,
    experience: Experience | None,
) -> Outcome:
    bench: Bench | None = None
    description, connect = simulated.description, connector(simulated)
    try:
        with open_bench(
            description, clock=simulated.clock, connect=connect, journal=journal
        ) as bench:
            bench.vouch_for(description.axes)  # as on a bench that has run before
            return change_passes(bench, passes, listener=listener, experience=experience)
    except Exception as error:
        reason = _in_words(error)
    if bench is None:
        return Outcome(Verdict.FAILED, reason)
    usage = bench.usage
    return Outcome(
        Verdict.FAILED,
        reason,
        readings=usage.readings,
        moves=usage.moves,
        travel_m=usage.travel_m,
        elapsed_s=usage.elapsed_s,
    )


def _compare(
    index: int,
    outcome: Outcome,
    truth: dict[str, Any],
    claims: list[Guess],
    cpu_s: float,
) -> Rehearsal:
    proof, path = outcome.proof, outcome.path_length
    true_passes = int(truth["passes"])
    drawn = truth["drawn"]
    mirrors = next((f for f in outcome.findings if f.name == "reflectivity"), None)
    if outcome.passes is not None and proof is not None:
        claims = [*claims, Guess(proof.probability, outcome.passes, true_passes)]
    return Rehearsal(
        index=index,
        seed=int(truth["seed"]),
        verdict=outcome.verdict,
        reason=outcome.reason,
        proved=proof is not None and proof.proved,
        probability=None if proof is None else proof.probability,
        passes=outcome.passes,
        true_passes=true_passes,
        readings=outcome.readings,
        readings_to_proof=outcome.readings_to_proof,
        moves=outcome.moves,
        travel_m=outcome.travel_m,
        bench_time_s=outcome.elapsed_s,
        cpu_s=cpu_s,
        margin_low_m=outcome.margin_low_m,
        margin_high_m=outcome.margin_high_m,
        true_margin_low_m=truth["margin_low_m"],
        true_margin_high_m=truth["margin_high_m"],
        path_length_m=None if path is None else path.value_m,
        path_length_expanded_u_m=None if path is None else path.expanded_u_m,
        true_path_length_m=truth["path_length_m"],
        reflectivity=None if mirrors is None else mirrors.value,
        reflectivity_u=None if mirrors is None else mirrors.u,
        true_reflectivity=math.sqrt(drawn["entrance_reflectivity"] * drawn["far_reflectivity"]),
        margin_before_nights=_nights(outcome.margins_before),
        margin_nights=_nights(outcome.margins),
        limit_violations=int(truth["limit_violations"]),
        claims=tuple(claims),
        struck=_struck(truth["events"]),
    )


def _struck(events: Sequence[dict[str, Any]]) -> tuple[Struck, ...]:
    began = Counter(event["fault"] for event in events if event["what"] == "begins")
    return tuple(Struck(fault, times) for fault, times in began.items())


def _nights(margins: Sequence[AxisMargin]) -> float | None:
    least = least_margin(margins)
    return None if least is None or math.isinf(least.nights) else least.nights


def _in_words(error: Exception) -> str:
    """What is raised on purpose speaks for itself; of the rest the name tells most."""
    text = str(error)
    return text if isinstance(error, AutocellError) else f"{type(error).__name__}: {text}"

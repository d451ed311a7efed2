"""Change the number of passes: the main job, from wherever the bench stands to a proved pattern."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from autocell.bench.bench import Bench
from autocell.description import BenchDescription
from autocell.errors import BudgetError, DeviceError, LimitError, ReadingError, Undecided
from autocell.outcome import Outcome, Verdict
from autocell.patterns import Pattern, choose_pattern
from autocell.procedures.arrival import Arrival, Prover, apart, arrive
from autocell.procedures.ending import (
    failed,
    hold,
    outcome_at,
    refuse_darkness,
    suspicion,
)
from autocell.procedures.progress import Listener, nobody
from autocell.procedures.retracing import retrace
from autocell.procedures.settling import locate_beam_edges, margins_at, widest_place
from autocell.procedures.tuning import Experience, Tuning, Way
from autocell.procedures.witnesses import witnesses_at_start

_LAUNCH_M = 1e-3
"""What the tolerances of the launch may shift a plateau by, on benches of the usual size."""


def change_passes(
    bench: Bench,
    passes: int,
    *,
    listener: Listener = nobody,
    seed: int = 0,
    experience: Experience | None = None,
) -> Outcome:
    """Bring an opened bench to ``passes`` passes and prove it.

    ``seed`` makes the belief's random numbers repeatable; it says nothing about the bench. With
    ``experience`` it goes the way that led to this pattern before, if any did; else the belief
    starts from what an earlier run learned, which narrows it and proves nothing: rivals are weighed
    against the bench file alone.

    Ends *reached* with a proof, *held* at its start (or where it stood when it could not go back)
    with the reason, or *failed* when an instrument did: back at its start if the instrument answers
    again within a minute, else where it was told to stop. Everything it moved is in the journal.

    Raises NoSuchPattern before anything moves when no setting within reach gives ``passes``, and
    UsageError for a number of passes that no pattern can have.
    """
    pattern = choose_pattern(bench.description, passes)
    start = bench.setting
    rng = np.random.default_rng(seed)
    tuning = Tuning(bench, pattern.setting, passes, listener, rng, experience)
    try:
        way = None if experience is None else experience.way
        return replace(_reach(tuning, pattern, way), start=start)
    except (BudgetError, LimitError, ReadingError, Undecided) as error:
        return replace(hold(tuning, f"{error}{suspicion(tuning)}"), start=start)
    except DeviceError as error:
        return replace(failed(tuning, error), start=start)


def how_far_off(bench: BenchDescription, pattern: Pattern) -> float:
    """How far the real plateau may be from the nominal one, from the tolerances, m.

    The re-entrant spacing scales with the radii; the launch shifts it by much less.
    """
    radius = bench.entrance_mirror.radius_m
    stretch = max(bench.entrance_mirror.radius_tolerance_m, bench.far_mirror.radius_tolerance_m)
    return bench.spacing_tolerance_m + pattern.setting.spacing_m * stretch / radius + _LAUNCH_M


def _reach(tuning: Tuning, pattern: Pattern, way: Way | None) -> Outcome:
    bench = tuning.bench
    bench.refuse_lost_axes()
    tuning.tell("dark", "reading the dark level")
    bench.measure_dark()
    read_at = tuning.read_at if way is None else tuning.note_at
    start = read_at(bench.setting, "survey", "reading where the bench stands")
    refuse_darkness(bench, start)
    witnesses = witnesses_at_start(tuning)
    if way is not None:
        retrace(tuning, way)
    reach_m = how_far_off(bench.description, pattern)
    prover, arrival = arrive(tuning, pattern.setting, reach_m, witnesses)
    if arrival.proof.proved:
        return _with_margin(prover, arrival)
    return _unproved(tuning, arrival, "not proved")


def _unproved(tuning: Tuning, arrival: Arrival, what: str) -> Outcome:
    """Held, with what the proof lacks and which tolerance that speaks against."""
    reason = f"{what}: {arrival.proof.missing}{suspicion(tuning)}"
    return replace(hold(tuning, reason), proof=arrival.proof)


def _with_margin(prover: Prover, arrival: Arrival) -> Outcome:
    """From a proved setting to the one with the largest margin, proved again; or back to it."""
    tuning = prover.tuning
    to_proof = tuning.bench.usage.readings
    before = margins_at(tuning, arrival.at, frozenset())
    reason = "set between the plateau's edges"
    located: frozenset[str] = frozenset({"spacing"})
    try:
        located |= locate_beam_edges(tuning, arrival.at)
        best = widest_place(tuning, arrival.at)
        if best is not arrival.at:
            settled = prover.prove_at(best)
            if settled.proof.proved:
                if apart(settled.at, arrival.at.at_spacing(settled.at.spacing_m)):
                    located = frozenset({"spacing"})  # those of the beam were of another setting
                arrival, reason = settled, "set where the least margin is largest"
    except (BudgetError, LimitError, ReadingError, Undecided) as error:
        reason += f"; the margin could not be looked at further: {error}"
    tuning.beam = arrival.at
    if apart(tuning.bench.setting, arrival.at):
        at = arrival.at
        with tuning.bench.reserve():  # for coming back alone: what is left of it leads home
            arrival = prover.prove(at)
        if not arrival.proof.proved:
            arrival = prover.prove_again(at)
    if not arrival.proof.proved:
        return _unproved(tuning, arrival, "what was proved did not hold on coming back")
    outcome = outcome_at(tuning, arrival, Verdict.REACHED, reason)
    margins = margins_at(tuning, arrival.at, located)
    return replace(outcome, margins=margins, margins_before=before, readings_to_proof=to_proof)

"""Change the number of passes: the main job, from wherever the bench stands to a proved pattern."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from autocell.belief.alternatives import strained_fit
from autocell.belief.findings import findings, learned, spacing_and_radii
from autocell.bench.bench import Bench
from autocell.bench.trust import Trust
from autocell.description import BenchDescription
from autocell.errors import (
    AutocellError,
    BudgetError,
    DeviceError,
    LimitError,
    MotionError,
    ReadingError,
)
from autocell.outcome import Outcome, Proof, Verdict
from autocell.patterns import Pattern, choose_pattern
from autocell.procedures import account
from autocell.procedures.approach import approach
from autocell.procedures.edges import SIDES, Edge, Side, locate_edge, still_there
from autocell.procedures.evidence import Witness, further_evidence
from autocell.procedures.evidence_delay import DelayWitness
from autocell.procedures.progress import Listener, nobody
from autocell.procedures.proving import (
    Height,
    compile_proof,
    question_rivals,
    read_height,
    weigh_rivals,
)
from autocell.procedures.settling import locate_beam_edges, margins_at, widest_place
from autocell.procedures.tuning import READING_NOISE, Experience, Tuning
from autocell.reading import Reading
from autocell.setting import Setting

_LEAST_LIGHT = 0.01
"""Of the laser's power: a pattern that passes less is no place to start from."""

_LAUNCH_M = 1e-3
"""What the tolerances of the launch may shift a plateau by, on benches of the usual size."""

_SAME = 1e-5
"""m or rad: settings closer than this are one place on any plateau worth having."""

_ROUNDS = 5
"""How often a proof that failed is tried again with what was learned."""


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
    ``experience`` the belief starts from what an earlier run learned, which narrows it and proves
    nothing: rivals are weighed against the bench file alone.

    Ends *reached* with a proof, *held* at its start (or where it stood when it could not go back)
    with the reason, or *failed* when an instrument did. Everything it moved is in the journal.

    Raises NoSuchPattern before anything moves when no setting within reach gives ``passes``.
    """
    pattern = choose_pattern(bench.description, passes)
    start = bench.setting
    rng = np.random.default_rng(seed)
    tuning = Tuning(bench, pattern.setting, passes, listener, rng, experience)
    try:
        return replace(_reach(tuning, pattern), start=start)
    except (BudgetError, LimitError, ReadingError) as error:
        return replace(_hold(tuning, f"{error}{_suspicion(tuning)}"), start=start)
    except DeviceError as error:
        bench.stop()
        return replace(_so_far(tuning, Verdict.FAILED, str(error)), start=start)


def how_far_off(bench: BenchDescription, pattern: Pattern) -> float:
    """How far the real plateau may be from the nominal one, from the tolerances, m.

    The re-entrant spacing scales with the radii; the launch shifts it by much less.
    """
    radius = bench.entrance_mirror.radius_m
    stretch = max(bench.entrance_mirror.radius_tolerance_m, bench.far_mirror.radius_tolerance_m)
    return bench.spacing_tolerance_m + pattern.setting.spacing_m * stretch / radius + _LAUNCH_M


@dataclass(frozen=True)
class _Arrival:
    at: Setting
    height: Height
    proof: Proof


def _reach(tuning: Tuning, pattern: Pattern) -> Outcome:
    bench = tuning.bench
    _refuse_lost_axes(bench)
    tuning.tell("dark", "reading the dark level")
    bench.measure_dark()
    start = tuning.read_at(bench.setting, "survey", "reading where the bench stands")
    _refuse_darkness(tuning, start)
    witnesses = DelayWitness.at_start(tuning)
    found: dict[Side, Edge] = {}
    for _ in range(_ROUNDS):
        inside = approach(tuning, pattern.setting, how_far_off(bench.description, pattern))
        scan = tuning.scan("spacing", inside)
        for side in SIDES:
            if side not in found or not still_there(tuning, scan, found[side]):
                found[side] = locate_edge(tuning, scan, side)
        edges = tuple(found[side] for side in SIDES)
        tuning.belief.forget()  # a memory leads the way; the proof rests on this run alone
        question_rivals(tuning, _centre(tuning, inside))
        prover = _Prover(tuning, edges, witnesses)
        arrival = prover.prove(_centre(tuning, inside))
        if arrival.proof.proved:
            return _with_margin(prover, arrival)
    missing = "; ".join(piece.statement for piece in arrival.proof.evidence if not piece.holds)
    reason = f"not proved: {missing}{_suspicion(tuning)}"
    return replace(_hold(tuning, reason), proof=arrival.proof)


@dataclass(frozen=True)
class _Prover:
    """What a proof on this plateau rests on, wherever on it the bench stands."""

    tuning: Tuning
    edges: tuple[Edge, ...]
    witnesses: Sequence[Witness]

    def prove(self, target: Setting) -> _Arrival:
        """Go there, read the height of the plateau, and put together what speaks for the count."""
        tuning = self.tuning
        height = read_height(tuning, target)
        # the proof is about where the bench stands, not where it was sent
        at = tuning.bench.setting
        weighing = weigh_rivals(tuning, at)
        further = further_evidence(tuning, self.witnesses, at, weighing)
        return _Arrival(
            at, height, compile_proof(tuning, at, height, self.edges, weighing, further)
        )

    def settle(self, target: Setting) -> _Arrival:
        """Prove the count at a setting on the same plateau that may have another input beam, where
        the edges along the spacing are looked for anew."""
        tuning = self.tuning
        if not _apart(target, tuning.beam.at_spacing(target.spacing_m)):
            return self.prove_again(target)
        tuning.beam = target
        scan = tuning.scan("spacing", target)
        edges = tuple(locate_edge(tuning, scan, side) for side in SIDES)
        return replace(self, edges=edges).prove_again(_centre(tuning, target))

    def prove_again(self, target: Setting) -> _Arrival:
        """Prove a count elsewhere on the plateau where it was proved before."""
        arrival = self.prove(target)
        for _ in range(_ROUNDS - 1):
            if arrival.proof.proved:
                break
            question_rivals(self.tuning, target)
            arrival = self.prove(target)
        return arrival


def _with_margin(prover: _Prover, arrival: _Arrival) -> Outcome:
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
            settled = prover.settle(best)
            if settled.proof.proved:
                if _apart(settled.at, arrival.at.at_spacing(settled.at.spacing_m)):
                    located = frozenset({"spacing"})  # those of the beam were of another setting
                arrival, reason = settled, "set where the least margin is largest"
    except (BudgetError, LimitError, ReadingError) as error:
        reason += f"; the margin could not be looked at further: {error}"
    tuning.beam = arrival.at
    with tuning.bench.reserve():
        if _apart(tuning.bench.setting, arrival.at):
            arrival = prover.prove_again(arrival.at)
    if not arrival.proof.proved:
        return _hold(tuning, "what was proved did not hold on coming back")
    outcome = _outcome(tuning, arrival, Verdict.REACHED, reason)
    margins = margins_at(tuning, arrival.at, located)
    return replace(outcome, margins=margins, margins_before=before, readings_to_proof=to_proof)


def _apart(one: Setting, other: Setting) -> bool:
    """Whether two settings are further apart than axes repeat."""
    return bool(np.any(np.abs(one.as_array() - other.as_array()) > _SAME))


def _suspicion(tuning: Tuning) -> str:
    """Which tolerances of the bench file the readings do not keep to, in words."""
    strained = tuning.belief.strained() or (
        strained_fit(tuning.belief) if tuning.belief.surprises else []
    )
    if not strained:
        return ""
    names = ", ".join(f"{name} ({value})" for name, value in strained)
    return f"; a tolerance of the bench file looks wrong: the readings pull {names} beyond it"


def _refuse_lost_axes(bench: Bench) -> None:
    """Raises MotionError when a position is not known: readings there would mean nothing."""
    lost = [name for name, trust in bench.trust().items() if trust is Trust.LOST]
    if lost:
        raise MotionError(
            f"the position of {', '.join(lost)} is lost; home it at its controller, then run "
            "'autocell check'"
        )


def _refuse_darkness(tuning: Tuning, start: Reading) -> None:
    """Raises ReadingError when there is no light to find anything by."""
    least_w = max(_LEAST_LIGHT * tuning.bench.description.laser.power_w, 5.0 * start.uncertainty_w)
    if start.power_w < least_w:
        raise ReadingError(
            f"no light where the bench stands: {1e6 * start.power_w:.3g} µW above the dark level, "
            f"at least {1e6 * least_w:.3g} µW are needed; is the laser on, its shutter open, and "
            "the beam in the entrance hole?"
        )


def _centre(tuning: Tuning, inside: Setting) -> Setting:
    """The middle of the plateau as the belief has it now."""
    plateau = tuning.plateau_around(inside)
    return tuning.at(plateau.centre.value) if plateau.share > 0.5 else inside


def _outcome(tuning: Tuning, arrival: _Arrival, verdict: Verdict, reason: str) -> Outcome:
    at = arrival.at
    tuning.belief.settle()
    plateau = tuning.plateau_around(at)
    margin_low, margin_high = account.margins(at, plateau.low, plateau.high)
    throughput, throughput_u = account.throughput(tuning, arrival.height.reading)
    spacings = [reading.setting.spacing_m for reading in tuning.belief.readings]
    return replace(
        _so_far(tuning, verdict, reason),
        passes=tuning.passes,
        proof=arrival.proof,
        spacing_m=float(np.mean(tuning.model.spacing_m(tuning.belief.z, at))),
        path_length=account.path_length(tuning, at),
        throughput=throughput,
        throughput_u=throughput_u,
        expected_throughput=account.expected_throughput(tuning),
        margin_low_m=margin_low,
        margin_high_m=margin_high,
        posterior=account.posterior(tuning, at),
        staircase=account.staircase(tuning, min(spacings) - 5e-4, max(spacings) + 5e-4),
        spots=account.spots(tuning, at),
        findings=findings(tuning.model, tuning.belief.z),
        learned=learned(tuning.model, tuning.belief.z),
        spacing_and_radii=spacing_and_radii(tuning.model, tuning.belief.z),
    )


def _so_far(tuning: Tuning, verdict: Verdict, reason: str) -> Outcome:
    """What can be said at any time, whatever happened."""
    usage = tuning.bench.usage
    try:
        setting = tuning.bench.setting
    except AutocellError:
        setting = None
    return Outcome(
        verdict,
        reason,
        wanted_passes=tuning.passes,
        readings=usage.readings,
        moves=usage.moves,
        travel_m=usage.travel_m,
        elapsed_s=usage.elapsed_s,
        setting=setting,
    )


def _hold(tuning: Tuning, reason: str) -> Outcome:
    """Go back to the start, read there again, and say why."""
    tuning.tell("hold", f"going back to the start: {reason}")
    try:
        tuning.bench.return_home()
        with tuning.bench.reserve():
            reading = tuning.bench.read_power("the start, again", READING_NOISE)
    except AutocellError as error:
        tuning.bench.stop()
        verdict = Verdict.FAILED if isinstance(error, DeviceError) else Verdict.HELD
        return _so_far(tuning, verdict, f"{reason}; the way back failed too: {error}")
    first = tuning.belief.readings[0] if tuning.belief.readings else None
    again = (
        ""
        if first is None
        else f", reading {1e3 * reading.power_w:.4g} mW ({1e3 * first.power_w:.4g} mW before)"
    )
    return _so_far(tuning, Verdict.HELD, f"{reason}; back at the start{again}")

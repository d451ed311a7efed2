"""Recover a pattern that was proved before: the least that restores it, and why it was needed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from autocell.bench.bench import Bench
from autocell.errors import BudgetError, DeviceError, LimitError, ReadingError, Undecided
from autocell.outcome import Outcome, Verdict
from autocell.procedures.arrival import apart
from autocell.procedures.condition import condition_now
from autocell.procedures.ending import outcome_at
from autocell.procedures.light_search import Light
from autocell.procedures.progress import Listener, nobody
from autocell.procedures.recovery.attempts import (
    attempt,
    look_again,
    read_second_plateau,
    search,
)
from autocell.procedures.recovery.cause import LASER_OFF
from autocell.procedures.recovery.comparison import same_light
from autocell.procedures.recovery.displaced import is_loss_between_edges
from autocell.procedures.recovery.facts import Facts
from autocell.procedures.recovery.reference import ReferenceSetting
from autocell.procedures.recovery.steps import Reached, RecoverySteps
from autocell.procedures.recovery.under_way import RecoveryUnderWay
from autocell.procedures.recovery.undoing import failed, hold
from autocell.procedures.settling import margins_at
from autocell.reading import Reading
from autocell.recovery import Ratio, StepName
from autocell.setting import Setting


def recover(
    bench: Bench, reference: ReferenceSetting, *, listener: Listener = nobody, seed: int = 0
) -> Outcome:
    """Compare an opened bench with its reference setting, and do the least that restores it.

    Ends *unchanged* with nothing moved when power and margin are within the limits of the bench
    file; *recovered* where the pattern is proved again and its power is as it was; *degraded*
    where it is proved and the power is not; *held* at its start, or *failed* when an instrument
    did: then what no accepted step has brought is undone once it answers again, within a minute, or
    every axis is stopped where it is. A pass count is claimed only with a proof of this run. What
    was compared, tried and made of it is in the outcome's ``recovery``.
    """
    recovery = RecoveryUnderWay(bench, reference, listener, np.random.default_rng(seed))
    try:
        outcome = _carry_out(recovery)
    except (BudgetError, LimitError, ReadingError, Undecided) as error:
        outcome = hold(recovery, str(error))
    except DeviceError as error:
        outcome = failed(recovery, error)
    return recovery.told(outcome)


def _carry_out(recovery: RecoveryUnderWay) -> Outcome:
    """From the first look to the end."""
    bench, against = recovery.bench, recovery.against
    if lost := bench.lost():
        return recovery.so_far(Verdict.HELD, f"nothing may be moved: {'; '.join(lost.values())}")
    recovery.start, recovery.here = bench.setting, bench.home_setting
    recovery.tell("read", "comparing with the reference setting")
    bench.measure_dark()
    recovery.before = against.look("comparing with the reference setting")
    recovery.light = Light(recovery.before.power_w, recovery.before.power_u_w)
    power, laser = against.ratios(recovery.before)
    away = against.away()
    recovery.facts = Facts(None if away else power, laser)
    if against.is_dark(recovery.before):
        return _in_the_dark(recovery, power)
    if away:
        return _restore(recovery, None)
    if not against.is_as_it_was(power, laser):
        recovery.facts = replace(recovery.facts, out_of_bounds=True)
        return _looked_at_again(recovery, power)
    recovery.after = recovery.before
    return _where_it_was(recovery, power, "")


def _looked_at_again(recovery: RecoveryUnderWay, power: Ratio) -> Outcome:
    """There is too little light for nothing to have happened, or too much."""
    against = recovery.against
    again = look_again(recovery, power)
    if not against.is_as_it_was(again, recovery.facts.laser):
        return _restore(recovery, again)
    if same_light(power, again):
        recovery.facts = replace(recovery.facts, out_of_bounds=False)
        return _where_it_was(recovery, again, ", in the mean of two looks")
    recovery.facts = replace(recovery.facts, came_back=True)
    return recovery.so_far(
        Verdict.UNCHANGED, f"the power came back by itself: {against.in_words(again)}"
    )


def _where_it_was(recovery: RecoveryUnderWay, power: Ratio, looks: str) -> Outcome:
    """The light is as it was; is there still margin?"""
    if recovery.against.is_margin_gone:
        return _restore(recovery, power)
    recovery.power_after = power
    return recovery.so_far(Verdict.UNCHANGED, f"{recovery.against.in_words(power)}{looks}")


def _restore(recovery: RecoveryUnderWay, power: Ratio | None) -> Outcome:
    """Try step after step until one is accepted, or shows that moving does not help.

    ``power`` is the ratio where the bench stands; None when it stands elsewhere.
    """
    beam = recovery.reference.setting
    steps = _steps(recovery)
    at = beam if power is None else recovery.here

    def is_short(reading: Reading) -> bool:
        ratio, _ = recovery.against.ratios(condition_now(recovery.bench, reading))
        return ratio.value < 1.0 and not recovery.against.within(ratio)

    tried: tuple[tuple[StepName, str, Callable[[], Reached | None]], ...] = (
        (
            "re-centre",
            "between the edges of the plateau",
            lambda: steps.recentre(at, is_short, drifted=recovery.against.is_margin_gone),
        ),
        ("re-approach", "a short survey, nothing remembered", steps.reapproach),
        ("rebuild from six passes", "from the pattern that is easiest to find", steps.rebuild),
    )
    for name, words, act in tried:
        if attempt(recovery, name, words, act, power) or recovery.reached is not None:
            break
    if recovery.reached is None:
        return hold(recovery, "no step brought a proof")
    return _conclude(recovery, recovery.reached)


def _in_the_dark(recovery: RecoveryUnderWay, power: Ratio) -> Outcome:
    """Look again, then for a beam beside the hole, unless the laser is seen to be off; where
    there is light again set the pattern anew."""
    against = recovery.against
    recovery.facts = replace(recovery.facts, dark=True)
    if recovery.facts.laser is not None and recovery.facts.laser.value < LASER_OFF:
        return recovery.so_far(Verdict.HELD, "there is no light to find anything by: no laser")
    again = look_again(recovery, power)
    if recovery.after is not None and not against.is_dark(recovery.after):
        recovery.facts = replace(recovery.facts, dark=False, out_of_bounds=True)
        if not against.is_as_it_was(again, recovery.facts.laser) or against.away():
            return _restore(recovery, None if against.away() else again)
        recovery.facts = replace(recovery.facts, came_back=True)
        return recovery.so_far(
            Verdict.UNCHANGED, f"the light came back by itself: {against.in_words(again)}"
        )
    steps = _steps(recovery)
    found = search(recovery, steps)
    if found.light is None:
        told = f"there is no light to find anything by: {found.words}"
        return hold(recovery, f"{told}; {_unknown(recovery)}")
    recovery.facts = replace(recovery.facts, dark=False, out_of_bounds=True)
    words = "with the beam where there was light"
    attempt(recovery, "rebuild from six passes", words, steps.rebuild, power)
    if recovery.reached is None:
        return hold(recovery, f"no step brought a proof, though there was light: {found.words}")
    return _conclude(recovery, recovery.reached)


def _steps(recovery: RecoveryUnderWay) -> RecoverySteps:
    """Those that may be tried, the beam as it was, by the laser as it is now."""
    beam = recovery.reference.setting
    laser = 1.0 if recovery.facts.laser is None else recovery.facts.laser.value
    return RecoverySteps(
        recovery.bench, recovery.reference, recovery.listener, recovery.rng, beam, laser
    )


def _unknown(recovery: RecoveryUnderWay) -> str:
    """What a bench without light cannot tell apart."""
    if recovery.facts.laser is not None:
        return (
            "the reference meter sees the laser; a beam further off, a window or a detector "
            "without light look the same"
        )
    return (
        "there is no reference meter, and a laser that is off looks the same as a beam further "
        "off, or a window or a detector without light"
    )


def _conclude(recovery: RecoveryUnderWay, reached: Reached) -> Outcome:
    """The pattern is proved, where the bench belongs or elsewhere on the same plateau."""
    arrival = reached.arrival
    power = recovery.against.ratio_at(arrival)
    if not recovery.against.within(power):
        read_second_plateau(recovery, reached, arrival.at, power)
    elif is_loss_between_edges(recovery.reference, recovery.facts):
        assert recovery.start is not None
        assert recovery.facts.power is not None
        read_second_plateau(recovery, reached, recovery.start, recovery.facts.power)
    if apart(recovery.here, arrival.at):
        arrival = reached.prover.prove_at(recovery.here)
    elif apart(recovery.bench.setting, arrival.at):
        arrival = reached.prover.prove_again(arrival.at)
    if not arrival.proof.proved:  # where it stood it cannot be proved; where it was, it was
        arrival = reached.prover.prove_at(reached.arrival.at)
    if not arrival.proof.proved:
        missing = arrival.proof.missing
        return hold(recovery, f"what was proved did not hold on coming back: {missing}")
    outcome = outcome_at(reached.tuning, arrival, Verdict.RECOVERED, "")
    margins = margins_at(reached.tuning, arrival.at, frozenset({"spacing"}))
    outcome = replace(outcome, margins=margins)
    assert outcome.condition is not None
    recovery.after = outcome.condition
    recovery.power_after, _ = recovery.against.ratios(outcome.condition)
    verdict, reason = _verdict(recovery, arrival.at, recovery.power_after)
    return replace(outcome, verdict=verdict, reason=reason)


def _verdict(recovery: RecoveryUnderWay, at: Setting, power: Ratio) -> tuple[Verdict, str]:
    """What to call the end of a recovery that proved the pattern, and why."""
    restored = recovery.against.within(power)
    short = recovery.facts.out_of_bounds or not restored
    moved = recovery.start is None or apart(recovery.start, at)
    recovery.facts = replace(recovery.facts, restored=restored, moved=moved, out_of_bounds=short)
    share = f"{power.value:.3f} ± {power.u:.3f} of the reference power"
    if not restored:
        return Verdict.DEGRADED, f"proved, with {share}: moving does not bring it back"
    if not moved:
        return Verdict.UNCHANGED, f"proved where it stood, with {share}"
    return Verdict.RECOVERED, f"restored and proved, with {share}"

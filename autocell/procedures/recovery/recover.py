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
from autocell.procedures.recovery.course import Course
from autocell.procedures.recovery.displaced import is_loss_between_edges
from autocell.procedures.recovery.facts import Facts
from autocell.procedures.recovery.reference import ReferenceSetting
from autocell.procedures.recovery.steps import Reached, Steps
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
    course = Course(bench, reference, listener, np.random.default_rng(seed))
    try:
        outcome = _carry_out(course)
    except (BudgetError, LimitError, ReadingError, Undecided) as error:
        outcome = hold(course, str(error))
    except DeviceError as error:
        outcome = failed(course, error)
    return course.told(outcome)


def _carry_out(course: Course) -> Outcome:
    """From the first look to the end."""
    bench, against = course.bench, course.against
    if lost := bench.lost():
        return course.so_far(Verdict.HELD, f"nothing may be moved: {'; '.join(lost.values())}")
    course.start, course.here = bench.setting, bench.home_setting
    course.tell("read", "comparing with the reference setting")
    bench.measure_dark()
    course.before = against.look("comparing with the reference setting")
    course.light = Light(course.before.power_w, course.before.power_u_w)
    power, laser = against.ratios(course.before)
    away = against.away()
    course.facts = Facts(None if away else power, laser)
    if against.is_dark(course.before):
        return _in_the_dark(course, power)
    if away:
        return _restore(course, None)
    if against.within(power):
        if against.is_margin_gone:
            return _restore(course, power)
        course.after, course.power_after = course.before, power
        return course.so_far(Verdict.UNCHANGED, against.as_it_was(power))
    course.facts = replace(course.facts, out_of_bounds=True)
    again = look_again(course, power)
    if against.within(again):
        course.facts = replace(course.facts, came_back=True)
        return course.so_far(
            Verdict.UNCHANGED, f"the power came back by itself: {against.as_it_was(again)}"
        )
    return _restore(course, again)


def _restore(course: Course, power: Ratio | None) -> Outcome:
    """Try step after step until one is accepted, or shows that moving does not help.

    ``power`` is the ratio where the bench stands; None when it stands elsewhere.
    """
    beam = course.reference.setting
    steps = _steps(course)
    at = beam if power is None else course.here

    def is_short(reading: Reading) -> bool:
        ratio, _ = course.against.ratios(condition_now(course.bench, reading))
        return ratio.value < 1.0 and not course.against.within(ratio)

    tried: tuple[tuple[StepName, str, Callable[[], Reached | None]], ...] = (
        (
            "re-centre",
            "between the edges of the plateau",
            lambda: steps.recentre(at, is_short, drifted=course.against.is_margin_gone),
        ),
        ("re-approach", "a short survey, nothing remembered", steps.reapproach),
        ("rebuild from six passes", "from the pattern that is easiest to find", steps.rebuild),
    )
    for name, words, act in tried:
        if attempt(course, name, words, act, power) or course.reached is not None:
            break
    if course.reached is None:
        return hold(course, "no step brought a proof")
    return _conclude(course, course.reached)


def _in_the_dark(course: Course, power: Ratio) -> Outcome:
    """Look again, then for a beam beside the hole, unless the laser is seen to be off; where
    there is light again set the pattern anew."""
    against = course.against
    course.facts = replace(course.facts, dark=True)
    if course.facts.laser is not None and course.facts.laser.value < LASER_OFF:
        return course.so_far(Verdict.HELD, "there is no light to find anything by: no laser")
    again = look_again(course, power)
    if course.after is not None and not against.is_dark(course.after):
        course.facts = replace(course.facts, dark=False, out_of_bounds=True)
        if not against.within(again) or against.away():
            return _restore(course, None if against.away() else again)
        course.facts = replace(course.facts, came_back=True)
        return course.so_far(
            Verdict.UNCHANGED, f"the light came back by itself: {against.as_it_was(again)}"
        )
    steps = _steps(course)
    found = search(course, steps)
    if found.light is None:
        told = f"there is no light to find anything by: {found.words}"
        return hold(course, f"{told}; {_unknown(course)}")
    course.facts = replace(course.facts, dark=False, out_of_bounds=True)
    words = "with the beam where there was light"
    attempt(course, "rebuild from six passes", words, steps.rebuild, power)
    if course.reached is None:
        return hold(course, f"no step brought a proof, though there was light: {found.words}")
    return _conclude(course, course.reached)


def _steps(course: Course) -> Steps:
    """Those that may be tried, the beam as it was, by the laser as it is now."""
    beam = course.reference.setting
    laser = 1.0 if course.facts.laser is None else course.facts.laser.value
    return Steps(course.bench, course.reference, course.listener, course.rng, beam, laser)


def _unknown(course: Course) -> str:
    """What a bench without light cannot tell apart."""
    if course.facts.laser is not None:
        return (
            "the reference meter sees the laser; a beam further off, a window or a detector "
            "without light look the same"
        )
    return (
        "there is no reference meter, and a laser that is off looks the same as a beam further "
        "off, or a window or a detector without light"
    )


def _conclude(course: Course, reached: Reached) -> Outcome:
    """The pattern is proved, where the bench belongs or elsewhere on the same plateau."""
    arrival = reached.arrival
    power = course.against.ratio_at(arrival)
    if not course.against.within(power):
        read_second_plateau(course, reached, arrival.at, power)
    elif is_loss_between_edges(course.reference, course.facts):
        assert course.start is not None
        assert course.facts.power is not None
        read_second_plateau(course, reached, course.start, course.facts.power)
    if apart(course.here, arrival.at):
        arrival = reached.prover.settle(course.here)
    elif apart(course.bench.setting, arrival.at):
        arrival = reached.prover.prove_again(arrival.at)
    if not arrival.proof.proved:  # where it stood it cannot be proved; where it was, it was
        arrival = reached.prover.settle(reached.arrival.at)
    if not arrival.proof.proved:
        missing = arrival.proof.missing
        return hold(course, f"what was proved did not hold on coming back: {missing}")
    outcome = outcome_at(reached.tuning, arrival, Verdict.RECOVERED, "")
    margins = margins_at(reached.tuning, arrival.at, frozenset({"spacing"}))
    outcome = replace(outcome, margins=margins)
    assert outcome.condition is not None
    course.after = outcome.condition
    course.power_after, _ = course.against.ratios(outcome.condition)
    verdict, reason = _verdict(course, arrival.at, course.power_after)
    return replace(outcome, verdict=verdict, reason=reason)


def _verdict(course: Course, at: Setting, power: Ratio) -> tuple[Verdict, str]:
    """What to call the end of a recovery that proved the pattern, and why."""
    restored = course.against.within(power)
    short = course.facts.out_of_bounds or not restored
    moved = course.start is None or apart(course.start, at)
    course.facts = replace(course.facts, restored=restored, moved=moved, out_of_bounds=short)
    share = f"{power.value:.3f} ± {power.u:.3f} of the reference power"
    if not restored:
        return Verdict.DEGRADED, f"proved, with {share}: moving does not bring it back"
    if not moved:
        return Verdict.UNCHANGED, f"proved where it stood, with {share}"
    return Verdict.RECOVERED, f"restored and proved, with {share}"

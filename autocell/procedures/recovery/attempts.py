"""Carries out what a recovery tries: each within its caps, into the account, and undone where it
was not enough. What is tried, and in which order, is decided elsewhere."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from autocell.errors import BudgetError, LimitError, ReadingError, Undecided
from autocell.procedures.light_search import Light
from autocell.procedures.recovery.account import Ledger, StepUnderWay, nearer_to_one
from autocell.procedures.recovery.comparison import mean_of, same_light
from autocell.procedures.recovery.plateaus import (
    RememberedBenches,
    other_plateau,
    read_other_plateau,
)
from autocell.procedures.recovery.search import Found
from autocell.procedures.recovery.steps import Reached, RecoverySteps, plateau_shift
from autocell.procedures.recovery.under_way import RecoveryUnderWay
from autocell.procedures.recovery.undoing import go_back
from autocell.recovery import Ratio, StepName
from autocell.setting import Setting

_SIGMAS = 3.0

_PIECE_S = 30.0
"""Of a wait: as often as a programme shows signs of life while it waits itself."""


def look_again(recovery: RecoveryUnderWay, power: Ratio) -> Ratio:
    """Wait and read once more: much goes by itself. What looks the same both times has not gone,
    and is judged by the mean of both."""
    bench = recovery.bench
    wait_s = bench.description.recovery.look_again_s
    recovery.tell("look again", f"{power.value:.3f} of the reference power; reading once more")
    ledger = Ledger.of(bench)
    _wait(recovery, wait_s)
    recovery.after = recovery.against.look(f"once more after {wait_s:g} s")
    again, laser = recovery.against.ratios(recovery.after)
    recovery.power_after = mean_of(power, again) if same_light(power, again) else again
    recovery.facts = replace(recovery.facts, laser=laser)
    step = ledger.step(
        bench,
        "look again",
        f"read once more after {wait_s:g} s",
        before=power,
        after=recovery.power_after,
        accepted=recovery.against.is_as_it_was(recovery.power_after, laser),
    )
    recovery.steps.append(step)
    return recovery.power_after


def _wait(recovery: RecoveryUnderWay, wait_s: float) -> None:
    """In pieces, so that whoever listens for signs of life hears them. Raises Stopped."""
    left_s = wait_s
    while left_s > _PIECE_S:
        recovery.bench.clock.sleep(_PIECE_S)
        recovery.bench.raise_if_stopped()
        left_s -= _PIECE_S
        recovery.tell("look again", f"reading once more in {left_s:g} s")
    recovery.bench.clock.sleep(left_s)


def attempt(
    recovery: RecoveryUnderWay,
    name: StepName,
    words: str,
    act: Callable[[], Reached | None],
    power: Ratio | None,
) -> bool:
    """Try one step within its caps; whether it was accepted. One that was not is undone.

    ``power`` is the ratio where the bench stands; None when it stands elsewhere.
    """
    bench = recovery.bench
    recovery.tell(name, words)
    ledger = Ledger.of(bench)
    recovery.step_under_way = StepUnderWay(name, words, power, ledger)
    reached, after = None, None
    try:
        with bench.allowance(bench.description.recovery.step):
            reached = act()
            if reached is not None:
                after = recovery.against.ratio_at(reached.arrival)
    except (BudgetError, LimitError, ReadingError, Undecided) as error:
        words = f"{words}: {error}"
    gain = None if power is None or after is None else nearer_to_one(power, after)
    other = is_another_pattern(recovery, power, after)
    proved = reached is not None and not other and _remember(recovery, reached)
    accepted = proved and is_worth_it(recovery, power, after)
    if accepted and reached is not None:
        recovery.here = reached.arrival.at
        recovery.light = Light.of(reached.arrival.height.reading)
    else:
        words += "; less light than where it stood: another pattern" if other else _why_not(reached)
        go_back(recovery, f"{name} was not enough")
    recovery.steps.append(
        ledger.step(
            bench, name, words, before=power, after=after, gain=gain, accepted=accepted,
            undone=not accepted,
        )
    )  # fmt: skip
    recovery.step_under_way = None
    return accepted


def search(recovery: RecoveryUnderWay, steps: RecoverySteps) -> Found:
    """One search within the caps of a step; undone when it finds nothing, or not in time."""
    bench, words = recovery.bench, "for a beam beside the hole"
    recovery.tell("search", words)
    ledger = Ledger.of(bench)
    recovery.step_under_way = StepUnderWay("search", words, None, ledger)
    with bench.allowance(bench.description.recovery.step):
        found = steps.search()
    words = f"{words}: {found.words}"
    recovery.facts = replace(recovery.facts, found=found)
    has_light = found.light is not None
    if not has_light:
        go_back(recovery, "the search found no light")
    step = ledger.step(bench, "search", words, accepted=has_light, undone=not has_light)
    recovery.steps.append(step)
    recovery.step_under_way = None
    return found


def read_second_plateau(
    recovery: RecoveryUnderWay, reached: Reached, beam: Setting, power: Ratio
) -> None:
    """Read at another pass count, which tells a loss at the mirrors from one outside them: with
    the input beam of ``beam``, where the pattern had ``power``."""
    bench = recovery.bench
    then = RememberedBenches.of(bench.description, recovery.reference.learned)
    found = other_plateau(reached.tuning, then, beam, power)
    if found is None:
        return
    at, passes = found
    ledger, words = Ledger.of(bench), f"compared with {passes} passes"
    laser = recovery.facts.laser
    try:
        with bench.allowance(bench.description.recovery.step):
            two = read_other_plateau(reached.tuning, then, at, passes, power, laser)
        recovery.facts = replace(recovery.facts, two=two)
    except (BudgetError, LimitError, ReadingError, Undecided) as error:
        words += f": {error}"
    recovery.steps.append(ledger.step(bench, "second plateau", words, before=power, undone=True))


def _remember(recovery: RecoveryUnderWay, reached: Reached) -> bool:
    """Take in what a step has seen; whether it proved the pattern."""
    if reached.looks:
        recovery.facts = replace(recovery.facts, looks=reached.looks)
    if not reached.arrival.proof.proved:
        return False
    recovery.reached = reached
    shift = plateau_shift(recovery.reference, reached)
    recovery.facts = replace(recovery.facts, proved=True, plateau_shift_m=shift)
    return True


def is_another_pattern(
    recovery: RecoveryUnderWay, power: Ratio | None, after: Ratio | None
) -> bool:
    """Whether a step that began with the light of the pattern ended without: then what it proved
    is not what stood there, however sure the proof is."""
    if power is None or after is None:
        return False
    return recovery.against.within(power) and not recovery.against.within(after)


def is_worth_it(recovery: RecoveryUnderWay, power: Ratio | None, after: Ratio | None) -> bool:
    """Whether a proved step has brought enough light: more than three standard uncertainties, and
    more than the bench file wants of a step. Where none was lacking, the proof and the margin
    between the edges are enough; so they are where there was too much, of fewer passes, and is no
    longer."""
    if power is None or after is None or recovery.against.within(power):
        return True
    if power.value > 1.0 and recovery.against.within(after):
        return True
    gain = nearer_to_one(power, after)
    least = recovery.bench.description.recovery.least_gain
    return gain.value > max(least, _SIGMAS * gain.u)


def _why_not(reached: Reached | None) -> str:
    """Why a step was not accepted, as far as its proof tells."""
    if reached is None:
        return ""
    proof = reached.arrival.proof
    if proof.proved:
        return "; proved, and no more light than before"
    return f"; not proved: {proof.missing}"

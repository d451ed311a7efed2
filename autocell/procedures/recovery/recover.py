"""Recover a pattern that was proved before: the least that restores it, and why it was needed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np

from autocell.bench.bench import Bench
from autocell.bench.trust import Trust
from autocell.errors import AutocellError, BudgetError, DeviceError, LimitError, ReadingError
from autocell.outcome import Outcome, Verdict
from autocell.procedures.arrival import apart
from autocell.procedures.by_signal import Back, by_signal
from autocell.procedures.condition import condition_now
from autocell.procedures.ending import outcome_at, used
from autocell.procedures.light_search import Light
from autocell.procedures.progress import Listener, Progress, nobody
from autocell.procedures.recovery.account import Ledger, StepUnderWay, nearer_to_one, travel
from autocell.procedures.recovery.cause import LASER_OFF, Facts, name_cause
from autocell.procedures.recovery.comparison import Comparison
from autocell.procedures.recovery.plateaus import (
    RememberedBenches,
    other_plateau,
    read_other_plateau,
)
from autocell.procedures.recovery.reference import ReferenceSetting
from autocell.procedures.recovery.search import Found
from autocell.procedures.recovery.steps import Reached, Steps, plateau_shift
from autocell.procedures.settling import margins_at
from autocell.procedures.way_back import WayBack, way_back
from autocell.reading import Reading
from autocell.recovery import Condition, Ratio, Recovery, StepName, StepTried
from autocell.setting import Setting

_SIGMAS = 3.0


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
    run = _Run(bench, reference, listener, np.random.default_rng(seed))
    try:
        outcome = run.carry_out()
    except (BudgetError, LimitError, ReadingError) as error:
        outcome = run.hold(str(error))
    except DeviceError as error:
        outcome = run.failed(error)
    return run.told(outcome)


@dataclass
class _Run:
    """One recovery under way. ``here`` is where the bench belongs: its start, or where the last
    accepted step has brought it, and ``light`` what was read there; ``reached`` the last place
    where the pattern was proved."""

    bench: Bench
    reference: ReferenceSetting
    listener: Listener
    rng: np.random.Generator
    start: Setting | None = None
    before: Condition | None = None
    after: Condition | None = None
    power_after: Ratio | None = None
    facts: Facts = field(default_factory=Facts)
    reached: Reached | None = None

    def __post_init__(self) -> None:
        self.here: Setting = self.bench.home_setting
        self.light: Light | None = None
        self.against = Comparison(self.bench, self.reference)
        self.began = self.bench.last_positions()
        self.steps = list[StepTried]()
        self.under_way: StepUnderWay | None = None

    def carry_out(self) -> Outcome:
        """From the first look to the end."""
        bench = self.bench
        lost = [name for name, trust in bench.trust().items() if trust is Trust.LOST]
        if lost:
            return self.so_far(
                Verdict.HELD,
                f"the position of {', '.join(lost)} is lost, so that nothing may be moved; home it "
                "at its controller, then run 'autocell check'",
            )
        self.start, self.here = bench.setting, bench.home_setting
        self._tell("read", "comparing with the reference setting")
        bench.measure_dark()
        self.before = self.against.look("comparing with the reference setting")
        self.light = Light(self.before.power_w, self.before.power_u_w)
        power, laser = self.against.ratios(self.before)
        away = self.against.away()
        self.facts = Facts(None if away else power, laser)
        if self.against.is_dark(self.before):
            return self._in_the_dark(power)
        if away:
            return self._restore(None)
        if self.against.within(power):
            left = self.against.margin_nights_left
            if left is not None and left < bench.description.recovery.least_margin_nights:
                return self._restore(power)
            self.after, self.power_after = self.before, power
            return self.so_far(Verdict.UNCHANGED, self.against.as_it_was(power))
        self.facts = replace(self.facts, out_of_bounds=True)
        again = self._look_again(power)
        if self.against.within(again):
            self.facts = replace(self.facts, came_back=True)
            return self.so_far(
                Verdict.UNCHANGED, f"the power came back by itself: {self.against.as_it_was(again)}"
            )
        return self._restore(again)

    def _restore(self, power: Ratio | None) -> Outcome:
        """Try step after step until one is accepted, or shows that moving does not help.

        ``power`` is the ratio where the bench stands; None when it stands elsewhere.
        """
        beam = self.reference.setting
        steps = self._steps()
        at = beam if power is None else self.here

        def is_short(reading: Reading) -> bool:
            ratio, _ = self.against.ratios(condition_now(self.bench, reading))
            return ratio.value < 1.0 and not self.against.within(ratio)

        tried: tuple[tuple[StepName, str, Callable[[], Reached | None]], ...] = (
            (
                "re-centre",
                "between the edges of the plateau",
                lambda: steps.recentre(at, is_short),
            ),
            ("re-approach", "a short survey, nothing remembered", steps.reapproach),
            ("rebuild from six passes", "from the pattern that is easiest to find", steps.rebuild),
        )
        for name, words, act in tried:
            if self._attempt(name, words, act, power) or self.reached is not None:
                break
        if self.reached is None:
            return self.hold("no step brought a proof")
        return self._conclude(self.reached)

    def _in_the_dark(self, power: Ratio) -> Outcome:
        """Look again, then for a beam beside the hole, unless the laser is seen to be off; where
        there is light again set the pattern anew."""
        self.facts = replace(self.facts, dark=True)
        if self.facts.laser is not None and self.facts.laser.value < LASER_OFF:
            return self.so_far(Verdict.HELD, "there is no light to find anything by: no laser")
        again = self._look_again(power)
        if self.after is not None and not self.against.is_dark(self.after):
            self.facts = replace(self.facts, dark=False, out_of_bounds=True)
            if not self.against.within(again) or self.against.away():
                return self._restore(None if self.against.away() else again)
            self.facts = replace(self.facts, came_back=True)
            return self.so_far(
                Verdict.UNCHANGED, f"the light came back by itself: {self.against.as_it_was(again)}"
            )
        steps = self._steps()
        found = self._search(steps)
        if found is None or found.light is None:
            told = "caps ended the search" if found is None else found.words
            return self.hold(f"there is no light to find anything by: {told}; {self._unknown}")
        self.facts = replace(self.facts, dark=False, out_of_bounds=True)
        words = "with the beam where there was light"
        self._attempt("rebuild from six passes", words, steps.rebuild, power)
        if self.reached is None:
            self.steps = [
                replace(step, accepted=False, undone=True) if step.name == "search" else step
                for step in self.steps
            ]
            return self.hold(f"no step brought a proof, though there was light: {found.words}")
        return self._conclude(self.reached)

    def _search(self, steps: Steps) -> Found | None:
        """One search within the caps of a step; undone when it finds nothing, or not in time."""
        words = "for a beam beside the hole"
        self._tell("search", words)
        ledger, found = Ledger.of(self.bench), None
        self.under_way = StepUnderWay("search", words, None, ledger)
        try:
            with self.bench.allowance(self.bench.description.recovery.step):
                found = steps.search()
            words = f"{words}: {found.words}"
            self.facts = replace(self.facts, found=found)
        except (BudgetError, LimitError, ReadingError) as error:
            words = f"{words}: {error}"
        has_light = found is not None and found.light is not None
        if not has_light:
            self._go_back("the search found no light")
        step = ledger.step(self.bench, "search", words, accepted=has_light, undone=not has_light)
        self.steps.append(step)
        self.under_way = None
        return found

    def _steps(self) -> Steps:
        beam = self.reference.setting
        laser = 1.0 if self.facts.laser is None else self.facts.laser.value
        return Steps(self.bench, self.reference, self.listener, self.rng, beam, laser)

    @property
    def _unknown(self) -> str:
        """What a bench without light cannot tell apart."""
        if self.facts.laser is not None:
            return (
                "the reference meter sees the laser; a beam further off, a window or a detector "
                "without light look the same"
            )
        return (
            "there is no reference meter, and a laser that is off looks the same as a beam further "
            "off, or a window or a detector without light"
        )

    def _attempt(
        self, name: StepName, words: str, act: Callable[[], Reached | None], power: Ratio | None
    ) -> bool:
        """Try one step within its caps; whether it was accepted. One that was not is undone."""
        self._tell(name, words)
        ledger = Ledger.of(self.bench)
        self.under_way = StepUnderWay(name, words, power, ledger)
        reached, after = None, None
        try:
            with self.bench.allowance(self.bench.description.recovery.step):
                reached = act()
                if reached is not None:
                    after = self.against.ratio_at(reached.arrival)
        except (BudgetError, LimitError, ReadingError) as error:
            words = f"{words}: {error}"
        gain = None if power is None or after is None else nearer_to_one(power, after)
        proved = reached is not None and self._remember(reached)
        accepted = proved and self._is_worth_it(power, gain)
        if accepted and reached is not None:
            self.here = reached.arrival.at
            self.light = Light.of(reached.arrival.height.reading)
        else:
            words += _why_not(reached)
            self._go_back(f"{name} was not enough")
        self.steps.append(
            ledger.step(
                self.bench, name, words, before=power, after=after, gain=gain, accepted=accepted,
                undone=not accepted,
            )
        )  # fmt: skip
        self.under_way = None
        return accepted

    def _remember(self, reached: Reached) -> bool:
        """Take in what a step has seen; whether it proved the pattern."""
        if reached.looks:
            self.facts = replace(self.facts, looks=reached.looks)
        if not reached.arrival.proof.proved:
            return False
        self.reached = reached
        shift = plateau_shift(self.reference, reached)
        self.facts = replace(self.facts, proved=True, plateau_shift_m=shift)
        return True

    def _is_worth_it(self, power: Ratio | None, gain: Ratio | None) -> bool:
        """Whether a proved step has brought enough light; where none was lacking, the proof and the
        margin between the edges are enough."""
        if power is None or gain is None or self.against.within(power):
            return True
        least = self.bench.description.recovery.least_gain
        return gain.value > max(least, _SIGMAS * gain.u)

    def _conclude(self, reached: Reached) -> Outcome:
        """The pattern is proved, where the bench belongs or elsewhere on the same plateau."""
        arrival = reached.arrival
        if not self.against.within(self.against.ratio_at(arrival)):
            self._second_plateau(reached)
        if apart(self.here, arrival.at):
            arrival = reached.prover.settle(self.here)
        elif apart(self.bench.setting, arrival.at):
            arrival = reached.prover.prove_again(arrival.at)
        if not arrival.proof.proved:  # where it stood it cannot be proved; where it was, it was
            arrival = reached.prover.settle(reached.arrival.at)
        if not arrival.proof.proved:
            return self.hold("what was proved did not hold on coming back")
        outcome = outcome_at(reached.tuning, arrival, Verdict.RECOVERED, "")
        margins = margins_at(reached.tuning, arrival.at, frozenset({"spacing"}))
        outcome = replace(outcome, margins=margins)
        assert outcome.condition is not None
        self.after = outcome.condition
        self.power_after, _ = self.against.ratios(outcome.condition)
        verdict, reason = self._verdict(arrival.at, self.power_after)
        return replace(outcome, verdict=verdict, reason=reason)

    def _verdict(self, at: Setting, power: Ratio) -> tuple[Verdict, str]:
        """What to call the end of a recovery that proved the pattern, and why."""
        restored = self.against.within(power)
        short = self.facts.out_of_bounds or not restored
        self.facts = replace(self.facts, restored=restored, out_of_bounds=short)
        share = f"{power.value:.3f} ± {power.u:.3f} of the reference power"
        if not restored:
            return Verdict.DEGRADED, f"proved, with {share}: moving does not bring it back"
        if self.start is not None and not apart(self.start, at):
            return Verdict.UNCHANGED, f"proved where it stood, with {share}"
        return Verdict.RECOVERED, f"restored and proved, with {share}"

    def _second_plateau(self, reached: Reached) -> None:
        """Read at another pass count, which tells a loss at the mirrors from one outside them."""
        then = RememberedBenches.of(self.bench.description, self.reference.learned)
        found = other_plateau(reached.tuning, then, reached.arrival.at)
        if found is None:
            return
        at, passes = found
        power = self.against.ratio_at(reached.arrival)
        ledger, words = Ledger.of(self.bench), f"compared with {passes} passes"
        laser = self.facts.laser
        try:
            with self.bench.allowance(self.bench.description.recovery.step):
                two = read_other_plateau(reached.tuning, then, at, passes, power, laser)
            self.facts = replace(self.facts, two=two)
        except (BudgetError, LimitError, ReadingError) as error:
            words += f": {error}"
        self.steps.append(
            ledger.step(self.bench, "second plateau", words, before=power, undone=True)
        )

    def hold(self, reason: str) -> Outcome:
        """Go back to where the bench stood, read there, and say why."""
        self.here = self.bench.home_setting
        if self.before is not None:
            self.light = Light(self.before.power_w, self.before.power_u_w)
        ledger = Ledger.of(self.bench)
        try:
            back = self._go_back(reason)
            with self.bench.reserve():
                self.after = self.against.look("where it stood, again")
            if not self.against.away():
                self.power_after, _ = self.against.ratios(self.after)
        except DeviceError as error:
            went = self._way_back(error)
            return self.so_far(Verdict.FAILED, f"{reason}; {error}; {went.words}")
        except AutocellError as error:
            self.bench.stop()
            return self.so_far(Verdict.HELD, f"{reason}; the way back failed too: {error}")
        step = ledger.step(self.bench, "undo", reason, after=self.power_after, accepted=True)
        if step.moves:
            self.steps.append(step)
        where = "back where it stood" if back is None else back.words
        return self.so_far(Verdict.HELD, f"{reason}; {where}")

    def failed(self, error: DeviceError) -> Outcome:
        """An instrument did not do its part: undo what no accepted step has brought, once it
        answers again, or stop everything where it is; and say so."""
        step = self.under_way or StepUnderWay("undo", "", None, Ledger.of(self.bench))
        back = self._way_back(error)
        words = f"{step.words}: {error}" if step.words else str(error)
        tried = step.ledger.step(
            self.bench, step.name, words, before=step.before, undone=back.trouble is None
        )
        if tried.moves or self.under_way is not None:
            self.steps.append(tried)
        return self.so_far(Verdict.FAILED, f"{error}; {back.words}")

    def _way_back(self, error: DeviceError) -> WayBack[Condition]:
        """Back to where the bench belongs once what failed answers again, by its light where
        open-loop axes have moved, and what the meters show there."""
        self._tell("undo", str(error))
        kept = apart(self.here, self.bench.home_setting)
        where = "where an accepted step had brought it" if kept else "where it stood"
        by_light: list[str] = []

        def look() -> Condition:
            if self.bench.open_loop.moved:
                by_light[:] = [by_signal(self.bench, self.here, self.light, where).words]
            condition = self.against.look("where it belongs, again")
            if not self.against.away():
                self.power_after, _ = self.against.ratios(condition)
            return condition

        back = way_back(self.bench, self.here, where, look, purpose=f"back: {error}", failed=error)
        self.after = back.seen or self.after
        return replace(back, words=by_light[0]) if by_light and back.seen else back

    def told(self, outcome: Outcome) -> Outcome:
        """The outcome with all that the recovery has to tell."""
        troubles = self.bench.troubles
        cause = name_cause(self.bench.description, self.reference, self.facts)
        recovery = Recovery(
            reference=self.reference.as_told(),
            before=self.before,
            after=self.after,
            power_before=self.facts.power,
            power_after=self.power_after,
            laser=self.facts.laser,
            margin_nights_left=self.against.margin_nights_left,
            cause=None if self.before is None else cause,
            steps=tuple(self.steps),
            travel=travel(self.bench, self.began),
            retries=troubles.retries,
            communication_errors=troubles.errors,
        )
        return replace(outcome, start=self.start, recovery=recovery)

    def so_far(self, verdict: Verdict, reason: str) -> Outcome:
        """What can be said at any time, whatever happened."""
        outcome = used(self.bench, verdict, reason)
        return replace(outcome, wanted_passes=self.reference.passes)

    def _look_again(self, power: Ratio) -> Ratio:
        """Wait and read once more: much goes by itself."""
        wait_s = self.bench.description.recovery.look_again_s
        self._tell("look again", f"{power.value:.3f} of the reference power; reading once more")
        ledger = Ledger.of(self.bench)
        self.bench.clock.sleep(wait_s)
        self.after = self.against.look(f"once more after {wait_s:g} s")
        self.power_after, laser = self.against.ratios(self.after)
        self.facts = replace(self.facts, laser=laser)
        step = ledger.step(
            self.bench,
            "look again",
            f"read once more after {wait_s:g} s",
            before=power,
            after=self.power_after,
            accepted=self.against.within(self.power_after),
        )
        self.steps.append(step)
        return self.power_after

    def _go_back(self, why: str) -> Back | None:
        """Back to where the bench belongs; by its light where open-loop axes have moved, and how
        that ended."""
        if not apart(self.bench.setting, self.here):
            return None
        self._tell("undo", why)
        with self.bench.reserve():
            self.bench.move_to(self.here, f"back: {why}")
            if not self.bench.open_loop.moved:
                return None
            return by_signal(self.bench, self.here, self.light, "where it stood")

    def _tell(self, stage: str, text: str) -> None:
        usage = self.bench.usage
        self.listener(Progress(stage, text, usage.elapsed_s, usage.readings))


def _why_not(reached: Reached | None) -> str:
    """Why a step was not accepted, as far as its proof tells."""
    if reached is None:
        return ""
    proof = reached.arrival.proof
    if proof.proved:
        return "; proved, and no more light than before"
    missing = "; ".join(piece.statement for piece in proof.evidence if not piece.holds)
    return f"; not proved: {missing}"

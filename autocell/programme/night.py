"""Carries out a programme: night after night, step by step, and what was done already left out.

What a night has done is in the run store and nowhere else: each run says of which night and step
it is. So a programme that is started again goes on with the night that it finds.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta

from autocell.errors import AutocellError
from autocell.outcome import Outcome, Verdict
from autocell.procedures.progress import Listener, Progress
from autocell.procedures.recovery.reference import ReferenceSetting
from autocell.procedures.tuning import Experience
from autocell.programme import hooks
from autocell.programme.around import Around
from autocell.programme.beginning import clear_up_first
from autocell.programme.past import NOT_BEGUN, NightSoFar, night_so_far
from autocell.programme.programme import Change, Programme, Recover, Settle, Step
from autocell.programme.pulse import Pulse
from autocell.programme.timetable import moment, next_after, night_at
from autocell.programme.waiting import Waiting
from autocell.records import Store
from autocell.report.morning.verdict import headline
from autocell.session.conduct import Ended, Order, Procedure, conduct, outcome_of
from autocell.session.experience import last_experience, reference_setting
from autocell.session.mornings import look_back, write_morning
from autocell.session.safe import safe_first

_PROVED = (Verdict.REACHED, Verdict.RECOVERED, Verdict.UNCHANGED, Verdict.DEGRADED)

_NOTHING: tuple[Experience | None, str | None] = (None, None)
"""What a bench knows that nobody has proved a pass count on."""


def _listening(pulse: Pulse) -> Listener:
    def listen(progress: Progress) -> None:
        pulse.say(f"{progress.stage}: {progress.text}")

    return listen


class _NightIsOver(Exception):
    """What is left of this night is left out."""


class _ProgrammeIsOver(Exception):
    """Somebody must look before anything else is done."""


@dataclass
class Conductor:
    """One programme under way."""

    programme: Programme
    around: Around
    worst: Verdict = field(default=Verdict.UNCHANGED, init=False)
    """The worst verdict of the night that ended last, or is under way."""

    def __post_init__(self) -> None:
        around = self.around
        self._waiting = Waiting(around.wall, self.programme.zone, around.alive, around.tell)

    def once(self) -> Verdict:
        """Carry the steps out once, from now on, or as many of them as are left in when one is
        held; the worst verdict."""
        clear_up_first(self.programme.bench, self.around)
        now = self.around.wall.utc()
        with contextlib.suppress(_ProgrammeIsOver):  # told by then; here it ends in any case
            self._night(now.astimezone(self.programme.zone).date(), now)
        return self.worst

    def every_night(self) -> Iterator[date]:
        """Carry them out night after night; each night as it has ended. It ends only when a step
        is held and the programme says that it shall end then.

        Raises UsageError for a programme without a time to begin at.
        """
        clear_up_first(self.programme.bench, self.around)
        while True:
            night = self._wait_for_night()
            try:
                self._night(night, self._beginning(night), self._so_far(night))
            except _ProgrammeIsOver:
                yield night
                return
            yield night
            self._waiting.until(self._beginning(night + timedelta(days=1)), "the next night")

    def _beginning(self, night: date) -> datetime:
        assert self.programme.begins is not None
        return moment(night, self.programme.begins, self.programme.zone)

    def _wait_for_night(self) -> date:
        """The night to carry out: the present one, if it has only just begun or was begun by a
        process before this one; else the next."""
        assert self.programme.begins is not None
        now = self.around.wall.utc()
        night = night_at(now, self.programme.begins, self.programme.zone)
        late_s = (now - self._beginning(night)).total_seconds()
        if late_s <= self.programme.late_start_s or self._so_far(night).begun:
            return night
        night += timedelta(days=1)
        self._waiting.until(self._beginning(night), "the night")
        return night

    def _so_far(self, night: date) -> NightSoFar:
        """What a process before this one has made of this night."""
        with safe_first(self.programme.bench, self.around.lines):
            return night_so_far(self.around.store, self.programme, night)

    def _night(self, night: date, began: datetime, before: NightSoFar = NOT_BEGUN) -> None:
        self.worst = Verdict.UNCHANGED
        self.around.tell(f"The night of {night.isoformat()} begins.")
        last: Outcome | None = None
        try:
            for number, step in enumerate(self.programme.steps, start=1):
                if number in before.done:
                    last = self._done_before(number, step, before)
                if number > before.gone_through:
                    last = self._step(number, step, night, began, last)
        except _NightIsOver:
            self.around.tell("The rest of the night is left out.")
        except _ProgrammeIsOver:
            self.around.tell(
                "The programme ends. Look at the bench before you start it again; to have this "
                "night go on, say 'autocell accept' first."
            )
            self._tell_the_morning(night)
            raise
        self._tell_the_morning(night)

    def _done_before(self, number: int, step: Step, before: NightSoFar) -> Outcome:
        """The outcome of a step that a process before this one has carried out. If it was the last
        one, the night goes on or ends with it as it would have then."""
        outcome = self._count(before.done[number])
        self.around.tell(f"Step {number}, {step}: done before, {outcome.verdict}.")
        if number == before.gone_through and not before.accepted:
            self._heed(outcome)
        return outcome

    def _heed(self, outcome: Outcome) -> None:
        """Do with the rest of the night what the programme file says of a step that is held."""
        if outcome.verdict in _PROVED or self.programme.on_held == "go on":
            return
        raise _ProgrammeIsOver if self.programme.on_held == "end the programme" else _NightIsOver

    def _tell_the_morning(self, night: date) -> None:
        """Write the morning report and tell where it is; trouble with it ends no programme."""
        around, programme = self.around, self.programme
        if not (programme.morning_report and around.pages):
            return
        around.alive("writing the morning report")
        try:
            with safe_first(programme.bench, around.lines), Store.open(around.store) as store:
                found = look_back(
                    store, programme.bench, around.wall.utc(), programme.zone, night=night
                )
            page = write_morning(found)
        except (OSError, AutocellError) as trouble:
            around.tell(f"The morning report could not be written: {trouble}")
        else:
            around.tell(f"Morning report: {headline(found)}. {page}")

    def _step(
        self, number: int, step: Step, night: date, began: datetime, last: Outcome | None
    ) -> Outcome | None:
        """Carry one step out; the outcome of the last that sets the cell, be it this one or one
        before."""
        if step.skip_if_held and last is not None and last.verdict not in _PROVED:
            self.around.tell(f"Step {number}, {step}: left out, the last change is {last.verdict}.")
            return last
        self.around.tell(f"Step {number}: {step}.")
        if isinstance(step, Change | Recover):
            return self._set(number, step, night)
        if isinstance(step, Settle):
            self._waiting.until(self.around.wall.utc() + timedelta(seconds=step.seconds), str(step))
        else:
            self._waiting.until(next_after(began, step.local, self.programme.zone), str(step))
        return last

    def _set(self, number: int, step: Change | Recover, night: date) -> Outcome:
        refused = self._hook("before", step, None)
        if refused is not None:
            outcome = Outcome(Verdict.HELD, refused, wanted_passes=step.passes)
        else:
            outcome = self._run(number, step, night)
        self._count(outcome)
        self._tell_of(number, step, outcome)
        self.around.ended(outcome)
        if (failed := self._hook("after", step, outcome)) is not None:
            self.around.tell(failed)
        self._heed(outcome)
        return outcome

    def _tell_of(self, number: int, step: Step, outcome: Outcome) -> None:
        self.around.tell(f"Step {number}, {step}: {outcome.verdict}: {outcome.reason}")

    def _run(self, number: int, step: Change | Recover, night: date) -> Outcome:
        """The recorded run. Raises Stopped, which ends the programme; any other error is its
        outcome, since the next step may do better."""
        around, bench, passes = self.around, self.programme.bench, step.passes
        now = around.wall.utc()
        asked: dict[str, object] = {
            "programme": self.programme.name, "night": night.isoformat(), "step": number,
        }  # fmt: skip
        try:
            pulse = self._pulse(step)
            if isinstance(step, Change):
                experience, learned_by = (
                    last_experience(around.store, bench, passes=passes, now=now) or _NOTHING
                )
                command, procedure = "change", self._changing(step.passes, experience, pulse)
                asked |= {} if learned_by is None else {"learned_by": learned_by}
            else:
                with safe_first(bench, around.lines):
                    reference = reference_setting(around.store, bench, passes, now=now)
                command, procedure, passes = (
                    "recover",
                    self._recovering(reference, pulse),
                    reference.passes,
                )
                asked["reference"] = reference.run
            order = Order(
                command, bench, around.store, {"passes": passes, "seed": 0, **asked},
                page=around.pages, tell=around.tell,
                lines=replace(around.lines, clock=lambda: pulse),
                taken_up_again=True,
            )  # fmt: skip
            ended: Ended = conduct(order, procedure)
        except AutocellError as error:  # nothing was begun
            return replace(outcome_of(error), wanted_passes=passes)
        if ended.error is not None and not isinstance(ended.error, Exception):
            if not ended.left_open:
                self._count(ended.outcome)
                self._tell_of(number, step, ended.outcome)
                around.ended(ended.outcome)
            raise ended.error
        return ended.outcome

    def _changing(self, passes: int, experience: Experience | None, pulse: Pulse) -> Procedure:
        return lambda bench: self.around.change(bench, passes, _listening(pulse), experience)

    def _recovering(self, reference: ReferenceSetting, pulse: Pulse) -> Procedure:
        return lambda bench: self.around.recover(bench, reference, _listening(pulse))

    def _pulse(self, step: Step) -> Pulse:
        around, patience_s = self.around, self.programme.bench.caps.time_s
        return Pulse(around.alive, str(step), around.lines.clock(), patience_s)

    def _hook(
        self, when: hooks.When, step: Change | Recover, outcome: Outcome | None
    ) -> str | None:
        hook = self.programme.hook
        if hook is None:
            return None

        def alive() -> None:
            self.around.alive(f"hook {when} {step}")

        alive()
        told = hooks.environment(when, self.programme.name, str(step), step.passes, outcome)
        return hooks.call(hook, told, alive)

    def _count(self, outcome: Outcome) -> Outcome:
        if outcome.verdict.exit_code >= self.worst.exit_code:
            self.worst = outcome.verdict
        return outcome

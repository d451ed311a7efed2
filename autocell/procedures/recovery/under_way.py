"""How far one recovery has come: what it has seen, tried and moved, and where the bench belongs."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace

import numpy as np

from autocell.bench.bench import Bench
from autocell.outcome import Outcome, Verdict
from autocell.procedures.ending import used
from autocell.procedures.light_search import Light
from autocell.procedures.progress import Listener, Progress
from autocell.procedures.recovery.account import StepUnderWay, travel
from autocell.procedures.recovery.cause import name_cause
from autocell.procedures.recovery.comparison import Comparison
from autocell.procedures.recovery.facts import Facts
from autocell.procedures.recovery.health import health, remarks
from autocell.procedures.recovery.reference import ReferenceSetting
from autocell.procedures.recovery.steps import Reached
from autocell.recovery import (
    Condition,
    HealthCheck,
    Ratio,
    Recovery,
    StepName,
    StepTried,
)
from autocell.setting import Setting


@dataclass
class RecoveryUnderWay:
    """One recovery while it lasts; it moves and decides nothing itself. ``here`` is where the bench
    belongs: its start, or where the last accepted step has brought it, and ``light`` what was read
    there; ``reached`` the last place where the pattern was proved."""

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
    light: Light | None = None
    steps: list[StepTried] = field(default_factory=list)
    step_under_way: StepUnderWay | None = None

    def __post_init__(self) -> None:
        self.here: Setting = self.bench.home_setting
        self.against = Comparison(self.bench, self.reference)
        self.began = self.bench.last_positions()

    def tell(self, stage: str, text: str) -> None:
        """Tell whoever listens what is done now."""
        usage = self.bench.usage
        self.listener(Progress(stage, text, usage.elapsed_s, usage.readings))

    def so_far(self, verdict: Verdict, reason: str) -> Outcome:
        """What can be said at any time, whatever happened."""
        outcome = used(self.bench, verdict, reason)
        return replace(outcome, wanted_passes=self.reference.passes)

    def withdraw(self, *names: StepName, undone: bool) -> None:
        """Steps that were accepted and have come to nothing; ``undone`` says whether what they
        moved was moved back."""
        self.steps = [
            replace(step, accepted=False, undone=undone)
            if step.accepted and step.name in names
            else step
            for step in self.steps
        ]

    def told(self, outcome: Outcome) -> Outcome:
        """The outcome with all that the recovery has to tell."""
        troubles = self.bench.troubles
        bench, before = self.bench.description, self.before
        checks = () if before is None else health(bench, before, self.reference.condition)
        cause = name_cause(bench, self.reference, self.facts)
        if cause is not None:
            cause = replace(cause, evidence=(*cause.evidence, *_worth_telling(checks)))
        recovery = Recovery(
            reference=self.reference.as_told(),
            before=self.before,
            after=self.after,
            power_before=self.facts.power,
            power_after=self.power_after,
            laser=self.facts.laser,
            margin_nights_left=self.against.margin_nights_left,
            health=checks,
            cause=None if before is None else cause,
            steps=tuple(self.steps),
            travel=travel(self.bench, self.began),
            retries=troubles.retries,
            communication_errors=troubles.errors,
        )
        reason = outcome.reason + remarks(checks)
        return replace(outcome, reason=reason, start=self.start, recovery=recovery)


def _worth_telling(checks: Iterable[HealthCheck]) -> tuple[str, ...]:
    """Beside what speaks for a cause: how warm it is, and the dark level where it is off."""
    return tuple(
        check.statement for check in checks if check.name == "temperature" or not check.within
    )

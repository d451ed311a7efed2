"""What a recovery used and moved, step by step and in all."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from autocell.bench.bench import Bench
from autocell.bench.budget import Usage
from autocell.recovery import AxisTravel, Ratio, StepName, StepTried


@dataclass(frozen=True)
class Ledger:
    """What had been used when a step began."""

    opened: Usage

    @classmethod
    def of(cls, bench: Bench) -> Ledger:
        """Open it now."""
        return cls(bench.usage)

    def step(
        self,
        bench: Bench,
        name: StepName,
        words: str,
        *,
        before: Ratio | None = None,
        after: Ratio | None = None,
        gain: Ratio | None = None,
        accepted: bool = False,
        undone: bool = False,
    ) -> StepTried:
        """The step that ends now."""
        opened, now = self.opened, bench.usage
        return StepTried(
            name,
            words,
            before,
            after,
            gain,
            accepted,
            undone,
            now.readings - opened.readings,
            now.moves - opened.moves,
            now.travel_m - opened.travel_m,
            now.elapsed_s - opened.elapsed_s,
        )


@dataclass(frozen=True)
class StepUnderWay:
    """A step that has begun and not ended; ``before`` is the power ratio that it began with."""

    name: StepName
    words: str
    before: Ratio | None
    ledger: Ledger


def travel(bench: Bench, began: Mapping[str, float]) -> tuple[AxisTravel, ...]:
    """How far each axis has gone since it stood at ``began`` (m or rad) when the run began."""
    gone, ended = bench.travelled, bench.last_positions()
    return tuple(
        AxisTravel(name, axis.unit, ended[name] - began[name], gone[name])
        for name, axis in bench.description.axes.items()
    )


def nearer_to_one(before: Ratio, after: Ratio) -> Ratio:
    """By how much ``after`` is nearer to one than ``before``, with its standard uncertainty."""
    gain = abs(before.value - 1.0) - abs(after.value - 1.0)
    return Ratio(gain, (before.u**2 + after.u**2) ** 0.5)

"""The reference setting: where a pattern was proved last, and what was seen there."""

from __future__ import annotations

from dataclasses import dataclass

from autocell.errors import UsageError
from autocell.outcome import AxisMargin, Learned, Outcome, least_margin
from autocell.recovery import Condition, Reference
from autocell.setting import Setting


@dataclass(frozen=True)
class ReferenceSetting:
    """What a recovery goes back to, and by what it judges the light.

    ``learned`` and ``condition`` are of the last run that *reached* the pattern: a recovery that
    left the bench degraded must not become what the next night is compared with. ``seen_by`` is
    that run, while ``run`` is the last that proved the pattern, ``nights`` ago; ``setting`` and
    ``margins`` are where it did.
    """

    run: str
    nights: float
    passes: int
    setting: Setting
    margins: tuple[AxisMargin, ...]
    seen_by: str
    condition: Condition
    learned: Learned

    @classmethod
    def of(cls, proved: Outcome, reached: Outcome, nights: float) -> ReferenceSetting:
        """From the outcomes of both runs, which may be one. Raises UsageError for outcomes that
        do not say what was seen."""
        if (
            proved.passes is None
            or proved.setting is None
            or reached.condition is None
            or reached.learned is None
        ):
            raise UsageError(
                f"run {reached.run} proved its pass count, but does not say what the meters showed "
                "then; set the pattern once more with autocell change"
            )
        return cls(
            proved.run or "",
            nights,
            proved.passes,
            proved.setting,
            proved.margins,
            reached.run or "",
            reached.condition,
            reached.learned,
        )

    @property
    def margin_nights(self) -> float | None:
        """Its least margin when it was proved, in nights of drift."""
        least = least_margin(self.margins)
        return None if least is None else least.nights

    def margin(self, axis: str) -> AxisMargin | None:
        """That of one axis."""
        return next((margin for margin in self.margins if margin.axis == axis), None)

    def as_told(self) -> Reference:
        """As the outcome of a recovery carries it."""
        return Reference(self.run, self.passes, self.nights, self.condition, self.margin_nights)

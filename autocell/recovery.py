"""What a recovery came to: what was compared, what was tried, and what the cause probably is.

Carried by an :class:`~autocell.outcome.Outcome`. SI units; ``None`` means unknown, never zero.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from functools import cache
from typing import Any, Literal

from pydantic import TypeAdapter


class CauseName(StrEnum):
    """Why a bench is not as it was. Which observation speaks for which: docs/unattended.md."""

    LASER = "laser"
    ALIGNMENT = "alignment"
    MIRRORS = "mirrors"
    WINDOW = "window or detector"
    CLIPPING = "clipping"
    SPACING = "spacing"
    KNOCK = "knock"
    UNDETERMINED = "undetermined"


@dataclass(frozen=True)
class Cause:
    """A cause with what speaks for it.

    ``confidence`` is a probability, zero when undetermined. ``possible`` are the causes that this
    bench cannot tell apart from what it saw; empty when there is one only. ``advice`` is what
    somebody should do, in a sentence.
    """

    name: CauseName
    confidence: float
    evidence: tuple[str, ...]
    possible: tuple[CauseName, ...] = ()
    advice: str = "no action needed"


@dataclass(frozen=True)
class Condition:
    """What the meters of a bench showed at one setting: a night is compared by it.

    ``power_w`` leaves the cell, dark level ``dark_w`` subtracted. ``reference_w`` is what a
    reference meter sees of the laser before the cell, ``temperature_c`` what a thermometer reads;
    both None on a bench without one. ``*_u_w`` are standard uncertainties; that of the dark level
    is None also in runs that did not keep it.
    """

    power_w: float
    power_u_w: float
    dark_w: float | None = None
    reference_w: float | None = None
    reference_u_w: float | None = None
    temperature_c: float | None = None
    dark_u_w: float | None = None


@dataclass(frozen=True)
class Ratio:
    """A ratio to the reference setting with its standard uncertainty: one is as it was."""

    value: float
    u: float


@dataclass(frozen=True)
class HealthCheck:
    """Something beside the power, compared with the reference setting: ``change`` since then, and
    the ``limit`` up to which it is nothing to speak of, both in ``unit``."""

    name: Literal["dark level", "temperature"]
    change: float
    limit: float
    unit: Literal["W", "K"]
    statement: str

    @property
    def within(self) -> bool:
        """Whether it is."""
        return abs(self.change) <= self.limit


StepName = Literal[
    "read", "look again", "search", "re-centre", "re-approach", "rebuild from six passes",
    "second plateau", "undo",
]  # fmt: skip


@dataclass(frozen=True)
class StepTried:
    """One step of a recovery, in the order in which they were tried.

    ``before`` and ``after`` are power ratios (see :class:`Recovery`); ``after`` is None when the
    step came to no reading. ``gain`` is by how much the step brought the ratio nearer to one,
    ``accepted`` whether that was enough, ``undone`` whether the bench was moved back since.
    ``travel_m`` is of the linear axes, the way back included.
    """

    name: StepName
    words: str
    before: Ratio | None
    after: Ratio | None
    gain: Ratio | None
    accepted: bool
    undone: bool
    readings: int
    moves: int
    travel_m: float
    time_s: float


@dataclass(frozen=True)
class AxisTravel:
    """How far one axis went in the run, m or rad: from start to end, and all legs together."""

    axis: str
    unit: Literal["mm", "mrad"]
    net: float
    gross: float


@dataclass(frozen=True)
class Reference:
    """The reference setting: the last proved setting of a pattern, and what was seen there.

    ``run`` proved ``passes`` passes ``nights`` ago. ``margin_nights`` is its least margin then, in
    nights of drift.
    """

    run: str
    passes: int
    nights: float
    condition: Condition
    margin_nights: float | None


@dataclass(frozen=True)
class Recovery:
    """What a recovery found, tried and left.

    ``power_before`` and ``power_after`` are the power over that of the reference setting, with
    the laser taken out where a reference meter tells it. ``laser`` is the reference meter's own
    ratio, None without one. ``margin_nights_left`` is the margin of the reference setting less
    the nights since. ``cause`` is None when nothing was wrong.
    """

    reference: Reference
    before: Condition | None = None
    after: Condition | None = None
    power_before: Ratio | None = None
    power_after: Ratio | None = None
    laser: Ratio | None = None
    margin_nights_left: float | None = None
    health: tuple[HealthCheck, ...] = ()
    """Dark level and temperature as they were found, where they were known then, too."""
    cause: Cause | None = None
    steps: tuple[StepTried, ...] = ()
    travel: tuple[AxisTravel, ...] = ()
    retries: int = 0
    """Questions and readings that had to be asked for again."""
    communication_errors: int = 0
    """Replies that were lost, late or damaged, and lines that went away."""

    def as_json(self) -> dict[str, Any]:
        """What ``--json`` prints of it: plain values, under the names that they have here."""
        plain: dict[str, Any] = _codec().dump_python(self, mode="json")
        return plain


@cache
def _codec() -> TypeAdapter[Recovery]:
    return TypeAdapter(Recovery)

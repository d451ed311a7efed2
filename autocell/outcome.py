"""What a run came to: the one value that procedures return, the store keeps and reports show.

SI units throughout. ``None`` means unknown, never zero.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from functools import cache
from typing import TYPE_CHECKING, Any, Literal

from pydantic import TypeAdapter

from autocell.recovery import Condition, Recovery
from autocell.setting import Setting

if TYPE_CHECKING:
    from autocell.optics.trace import Path

MirrorName = Literal["entrance", "far"]


class Verdict(StrEnum):
    """How a run ended, in one word."""

    UNCHANGED = "unchanged"
    REACHED = "reached"
    RECOVERED = "recovered"
    DEGRADED = "degraded"
    HELD = "held"
    FAILED = "failed"

    @property
    def exit_code(self) -> int:
        """What the command line returns to its caller."""
        return {"degraded": 3, "held": 4, "failed": 5}.get(self.value, 0)

    @property
    def meaning(self) -> str:
        """The verdict in a sentence that needs no manual."""
        return {
            "unchanged": "The bench stands where it stood before.",
            "reached": "The wanted pass count is reached and proved.",
            "recovered": "The bench drifted and is restored and proved.",
            "degraded": "The pass count is proved, but not everything is as it should be.",
            "held": "The bench stands still and safe; the wanted pass count is not proved.",
            "failed": "The run could not be finished; the axes were told to stop, and brought "
            "back where that was safe.",
        }[self.value]


@dataclass(frozen=True)
class Evidence:
    """One piece of the proof, in plain words and numbers, and whether it speaks for it."""

    statement: str
    holds: bool


@dataclass(frozen=True)
class Proof:
    """Whether the pass count is proved, and why.

    ``probability`` is that of the claimed pass count. ``alternatives`` are the other pass counts
    considered, each with the natural logarithm of the odds of the claimed count over it.
    """

    proved: bool
    probability: float
    evidence: tuple[Evidence, ...] = ()
    alternatives: tuple[tuple[int, float], ...] = ()

    @property
    def missing(self) -> str:
        """The pieces of evidence that do not hold, in words."""
        return "; ".join(piece.statement for piece in self.evidence if not piece.holds)


@dataclass(frozen=True)
class BudgetRow:
    """One line of an uncertainty budget (JCGM 100:2008, clause 4 and annex H).

    ``value`` and ``standard_uncertainty`` are in ``unit``; ``sensitivity`` is metres of path per
    ``unit``; ``contribution_m`` is the product of the last two. ``how`` says where it is from.
    """

    quantity: str
    value: float
    unit: str
    standard_uncertainty: float
    sensitivity: float
    contribution_m: float
    how: str


@dataclass(frozen=True)
class PathLength:
    """Optical path from entrance to exit with its expanded uncertainty.

    Valid given the pass count: that is a hypothesis with a probability of its own, and no
    uncertainty of it is in here.
    """

    value_m: float
    expanded_u_m: float
    coverage_factor: float = 2.0
    budget: tuple[BudgetRow, ...] = ()


@dataclass(frozen=True)
class AxisMargin:
    """How far one axis may go, down (low) and up (high), before the pattern is lost, m or rad.

    ``None`` where no end was found. ``*_u`` are standard uncertainties; ``located`` says whether
    both ends were read at, and not only predicted. ``unit`` is what people read it in.
    """

    axis: str
    unit: Literal["mm", "mrad"]
    low: float | None
    high: float | None
    low_u: float | None
    high_u: float | None
    overnight_drift: float
    located: bool = False

    @property
    def nights(self) -> float:
        """Overnight drifts to the nearer end; infinite without one."""
        ends = [end for end in (self.low, self.high) if end is not None]
        return min(ends) / self.overnight_drift if ends else math.inf

    def as_json(self) -> dict[str, Any]:
        """What ``--json`` prints; distances in m or rad."""
        return {**vars(self), "nights": self.nights}


def least_margin(margins: Sequence[AxisMargin]) -> AxisMargin | None:
    """The margin that a night's drift uses up first; None without any."""
    return min(margins, key=lambda margin: margin.nights, default=None)


_TOLD = 0.5
"""Share of the uncertainty that the bench file leaves, below which a number counts as found."""


@dataclass(frozen=True)
class Finding:
    """One unknown of the bench, SI: in the bench file, and after the readings.

    ``*_u`` are standard uncertainties; that of the file is its tolerance over √3 (JCGM 100,
    4.3.7). ``reflectivity`` is the mean of both mirrors, lengths and angles are offsets unless
    the name is that of a radius, ``waist`` and ``log_gain`` are relative.
    """

    name: str
    words: str
    value: float
    u: float
    file_value: float
    file_u: float

    @property
    def observable(self) -> bool:
        """Whether the readings narrowed it to half or less of what the file leaves open."""
        return bool(self.u <= _TOLD * self.file_u)


@dataclass(frozen=True)
class Learned:
    """What a proved run leaves for the next: mean (D,) and covariance (D, D) by name, SI."""

    names: tuple[str, ...]
    mean: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]


@dataclass(frozen=True)
class Combination:
    """A sum that is known better than its parts: spacing offset + Σ weight × change of radius."""

    value_m: float
    u_m: float
    weights: tuple[tuple[str, float], ...]


@dataclass(frozen=True)
class Staircase:
    """The fitted model along the spacing: the band is that of the belief, not of the readings.

    Five tuples of one length, for the input beam of the final setting. ``spacing_m`` is nominal,
    as the axes read back and as readings carry it, so that readings lie on it. ``passes``
    is what most of the power has made at that spacing, ``coverage`` the probability inside
    low…high.
    """

    spacing_m: tuple[float, ...]
    power_low_w: tuple[float, ...]
    power_median_w: tuple[float, ...]
    power_high_w: tuple[float, ...]
    passes: tuple[int, ...]
    coverage: float = 0.9


@dataclass(frozen=True)
class Spot:
    """A beam on a mirror. Pass 0 is the entrance, so even passes are on the entrance mirror.

    ``radius_large_m`` and ``radius_small_m`` are 1/e² intensity radii; ``angle_rad`` turns the
    large axis from x.
    """

    pass_number: int
    mirror: MirrorName
    x_m: float
    y_m: float
    radius_large_m: float
    radius_small_m: float
    angle_rad: float

    @staticmethod
    def along(path: Path) -> tuple[Spot, ...]:
        """All spots of one traced cell, the entrance included, until the beam missed a mirror."""
        large, small = path.beam_radii_m
        angle = path.ellipse_angle_rad
        return tuple(
            Spot(
                number,
                "entrance" if number % 2 == 0 else "far",
                float(position[0]),
                float(position[1]),
                float(large[number]),
                float(small[number]),
                float(angle[number]),
            )
            for number, position in enumerate(path.position_m)
            if math.isfinite(position[0]) and math.isfinite(large[number])
        )


@dataclass(frozen=True)
class Outcome:
    """What a run came to.

    ``passes`` is the most probable count at the end, proved or not: see ``proof``. ``setting``
    is where the axes read back at the end and ``start`` where they were before, both nominal;
    ``spacing_m`` is the spacing that the belief makes of it. Margins are distances from the
    setting to the plateau edges along the spacing. ``spots`` are those of the fitted bench.
    ``throughput`` is a fraction of the power arriving at the entrance hole;
    ``expected_throughput`` is R^(N-1) of the fitted reflectivity. ``elapsed_s`` is bench time.
    """

    verdict: Verdict
    reason: str
    wanted_passes: int | None = None
    passes: int | None = None
    proof: Proof | None = None
    readings: int = 0
    moves: int = 0
    travel_m: float = 0.0
    elapsed_s: float = 0.0
    spacing_m: float | None = None
    setting: Setting | None = None
    start: Setting | None = None
    path_length: PathLength | None = None
    throughput: float | None = None
    throughput_u: float | None = None
    """Standard uncertainty of ``throughput``."""
    expected_throughput: float | None = None
    margin_low_m: float | None = None
    margin_high_m: float | None = None
    margins: tuple[AxisMargin, ...] = ()
    """At the end, of every axis that drifts."""
    margins_before: tuple[AxisMargin, ...] = ()
    """Where the pass count was proved first, before settling."""
    readings_to_proof: int | None = None
    findings: tuple[Finding, ...] = ()
    """What the readings made of each unknown of the bench file."""
    spacing_and_radii: Combination | None = None
    learned: Learned | None = None
    telling: tuple[Setting, ...] = ()
    """Where a reading told the pass count from a rival: the next change to it reads there first."""
    posterior: tuple[tuple[int, float], ...] = ()
    """Share of the model benches that show each pass count at the end."""
    staircase: Staircase | None = None
    spots: tuple[Spot, ...] | None = None
    condition: Condition | None = None
    """What the meters showed at the end of a proved run."""
    recovery: Recovery | None = None
    """Of a recovery only."""
    retries: int | None = None
    """Questions and readings that had to be asked for again."""
    communication_errors: int | None = None
    """Replies that were lost, late or damaged, and lines that went away."""
    run: str | None = None

    def with_run(self, run: str) -> Outcome:
        """The same outcome under the run's id."""
        return replace(self, run=run)

    def as_json(self) -> dict[str, Any]:
        """What ``--json`` prints: plain JSON values, ``None`` where unknown."""
        proof, path = self.proof, self.path_length
        plain: dict[str, Any] = {
            "verdict": self.verdict.value,
            "reason": self.reason,
            "wanted_passes": self.wanted_passes,
            "passes": self.passes,
            "proof": {
                "proved": proof is not None and proof.proved,
                "probability": None if proof is None else proof.probability,
                "evidence": [vars(piece) for piece in proof.evidence] if proof else [],
            },
            "readings": self.readings,
            "moves": self.moves,
            "travel_m": self.travel_m,
            "elapsed_s": self.elapsed_s,
            "spacing_m": self.spacing_m,
            "path_length_m": None if path is None else path.value_m,
            "path_length_expanded_u_m": None if path is None else path.expanded_u_m,
            "throughput": self.throughput,
            "expected_throughput": self.expected_throughput,
            "margin_low_m": self.margin_low_m,
            "margin_high_m": self.margin_high_m,
            "margins": [margin.as_json() for margin in self.margins],
            "margin_nights": _nights(self.margins),
            "margin_before_nights": _nights(self.margins_before),
            "readings_to_proof": self.readings_to_proof,
            "retries": self.retries,
            "communication_errors": self.communication_errors,
            "findings": {
                found.name: {"value": found.value, "u": found.u, "observable": found.observable}
                for found in self.findings
            },
            "condition": None if self.condition is None else vars(self.condition),
            "recovery": None if self.recovery is None else self.recovery.as_json(),
            "run": self.run,
        }
        return {key: _finite(value, lambda _: None) for key, value in plain.items()}

    def as_dict(self) -> dict[str, Any]:
        """All of it as plain JSON values, for the store; undone by :meth:`from_dict`."""
        plain: dict[str, Any] = _finite(_codec().dump_python(self, mode="json"), str)
        return plain

    @classmethod
    def from_dict(cls, values: Mapping[str, Any]) -> Outcome:
        """Inverse of :meth:`as_dict`. Raises ValueError for what is not an outcome."""
        return _codec().validate_python(values)


def _nights(margins: Sequence[AxisMargin]) -> float | None:
    least = least_margin(margins)
    return None if least is None else least.nights


def _finite(value: Any, stand_in: Callable[[float], object]) -> Any:
    """The same JSON values, with what JSON has no number for replaced."""
    if isinstance(value, dict):
        return {key: _finite(item, stand_in) for key, item in value.items()}
    if isinstance(value, list):
        return [_finite(item, stand_in) for item in value]
    if isinstance(value, float) and not math.isfinite(value):
        return stand_in(value)
    return value


@cache
def _codec() -> TypeAdapter[Outcome]:
    return TypeAdapter(Outcome)

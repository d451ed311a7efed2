"""What a campaign says: shares with exact bounds, costs, and whether claims can be believed."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import Enum
from typing import Any

import numpy as np
from scipy.stats import binom

from autocell.outcome import Verdict
from autocell_simulators.rehearsal.one import Rehearsal
from autocell_simulators.rehearsal.plan import Lost
from autocell_simulators.rehearsal.shares import CONFIDENCE, Share, share, upper_bound

WORST = 10
RELIABILITY_EDGES = (0.0, 0.2, 0.4, 0.6, 0.8, 0.9, 0.95, 0.99, 0.999, 1.0)
"""Bins of claimed probability; certainty is in the last one."""

_CLAIMING = (Verdict.UNCHANGED, Verdict.REACHED, Verdict.RECOVERED, Verdict.DEGRADED)


class Fate(Enum):
    """How a rehearsal counts, the worst first; each counts once."""

    WRONG = "wrong"
    FAILED = "failed"
    HELD = "held"
    REACHED_TRUE = "reached and true"


@dataclass(frozen=True)
class Quantiles:
    """Median and 95th percentile (linear between the two nearest) of what is known."""

    median: float | None
    p95: float | None


@dataclass(frozen=True)
class ReliabilityBin:
    """Claims with a probability from ``low`` to below ``high``, against how often they were true.

    ``band_low`` to ``band_high`` is where the frequency of a true claim at ``claimed``, the mean
    in the bin, lies in at least 95 of 100 campaigns.
    """

    low: float
    high: float
    claims: int
    claimed: float
    frequency: float
    band_low: float
    band_high: float

    @property
    def within(self) -> bool:
        """Whether the frequency is what was claimed, as far as so many claims can tell."""
        return self.band_low <= self.frequency <= self.band_high


@dataclass(frozen=True)
class Errors:
    """Claimed minus true, m: median, and 95th percentile of the size."""

    median_m: float
    size_p95_m: float


@dataclass(frozen=True)
class RelativeErrors:
    """Claimed minus true of a number without a unit: median, and 95th percentile of the size."""

    median: float
    size_p95: float


@dataclass(frozen=True)
class Survival:
    """Of the benches that ``fault`` struck: how many reached the wanted count all the same, and
    how many ended true, which is anything but a false claim."""

    fault: str
    struck: int
    reached_true: int
    ended_true: int


@dataclass(frozen=True)
class Summary:
    """A campaign in numbers. See :func:`summarise` for what each is taken over."""

    passes: int
    benches: int
    reached_true: Share
    held: Share
    failed: Share
    wrong: Share
    failure_upper95: float
    wrong_upper95: float
    readings: Quantiles
    readings_to_proof: Quantiles
    moves: Quantiles
    travel_m: Quantiles
    bench_time_s: Quantiles
    cpu_s: Quantiles
    reliability: tuple[ReliabilityBin, ...]
    path_length_covered: Share | None
    path_length_error: Errors | None
    margin_low_error: Errors | None
    margin_high_error: Errors | None
    reflectivity_error: RelativeErrors | None
    margin_nights: Quantiles
    margin_before_nights: Quantiles
    limit_violations: int
    survived: tuple[Survival, ...]
    worst: tuple[Rehearsal, ...]
    lost: tuple[Lost, ...] = ()

    @property
    def none_is_bad(self) -> bool:
        """Whether the worst only took the most readings."""
        return self.reached_true.count == self.benches and not self.limit_violations

    def as_json(self) -> dict[str, Any]:
        """Counts, their shares, and the rest as plain JSON values.

        ``worst`` is seeds: those that broke limits or were not reached and true first, then those
        that took the most readings. ``lost`` is the indices of benches that never came back, which
        nothing else counts. Readings are those that the proof took, and in all: with the ones for
        the margin.
        """
        fates = {
            "reached_true": self.reached_true,
            "held": self.held,
            "failed": self.failed,
            "wrong": self.wrong,
        }
        return {
            "passes": self.passes,
            "benches": self.benches,
            **{name: share.count for name, share in fates.items()},
            "shares": {name: share.as_json() for name, share in fates.items()},
            "failure_upper95": self.failure_upper95,
            "wrong_upper95": self.wrong_upper95,
            "readings_median": self.readings_to_proof.median,
            "readings_p95": self.readings_to_proof.p95,
            "readings_in_all_median": self.readings.median,
            "readings_in_all_p95": self.readings.p95,
            "moves_median": self.moves.median,
            "moves_p95": self.moves.p95,
            "travel_median_m": self.travel_m.median,
            "travel_p95_m": self.travel_m.p95,
            "bench_time_median_s": self.bench_time_s.median,
            "bench_time_p95_s": self.bench_time_s.p95,
            "cpu_median_s": self.cpu_s.median,
            "cpu_p95_s": self.cpu_s.p95,
            "reliability": [{**vars(row), "within": row.within} for row in self.reliability],
            "path_length_covered": self.path_length_covered and self.path_length_covered.as_json(),
            "path_length_error": _plain(self.path_length_error),
            "margin_low_error": _plain(self.margin_low_error),
            "margin_high_error": _plain(self.margin_high_error),
            "reflectivity_error": _plain(self.reflectivity_error),
            "margin_nights_median": self.margin_nights.median,
            "margin_before_nights_median": self.margin_before_nights.median,
            "limit_violations": self.limit_violations,
            "survived": [vars(row) for row in self.survived],
            "worst": [rehearsal.seed for rehearsal in self.worst],
            "lost": sorted(lost.index for lost in self.lost),
        }


def fate(rehearsal: Rehearsal, wanted: int) -> Fate:
    """A claim that is not true is wrong, whatever else the rehearsal came to."""
    claims = rehearsal.verdict in _CLAIMING
    claimed = wanted if claims else rehearsal.passes if rehearsal.proved else None
    if claimed is not None and rehearsal.true_passes != claimed:
        return Fate.WRONG
    if claims:
        return Fate.REACHED_TRUE
    return Fate.HELD if rehearsal.verdict is Verdict.HELD else Fate.FAILED


def summarise(rehearsals: Sequence[Rehearsal], wanted: int, lost: Sequence[Lost] = ()) -> Summary:
    """Count a campaign that changed to ``wanted`` passes; those that were ``lost`` are only named.

    Costs are taken over every bench for which they are known, whatever it came to. Margins and
    path lengths are compared where the wanted count was reached and true. Failure is everything
    that is not reached and true; its bound is one-sided. Raises ValueError when there is nothing.
    """
    if not rehearsals:
        raise ValueError("no rehearsals to summarise")
    fates = [fate(rehearsal, wanted) for rehearsal in rehearsals]
    total = len(fates)
    reached = [
        rehearsal
        for rehearsal, end in zip(rehearsals, fates, strict=True)
        if end is Fate.REACHED_TRUE
    ]
    paths = [
        (r.path_length_m - r.true_path_length_m, r.path_length_expanded_u_m)
        for r in reached
        if r.path_length_m is not None
        and r.true_path_length_m is not None
        and r.path_length_expanded_u_m is not None
    ]
    return Summary(
        passes=wanted,
        benches=total,
        reached_true=share(len(reached), total),
        held=share(fates.count(Fate.HELD), total),
        failed=share(fates.count(Fate.FAILED), total),
        wrong=share(fates.count(Fate.WRONG), total),
        failure_upper95=upper_bound(total - len(reached), total),
        wrong_upper95=upper_bound(fates.count(Fate.WRONG), total),
        readings=_quantiles(r.readings for r in rehearsals),
        readings_to_proof=_quantiles(
            r.readings if r.readings_to_proof is None else r.readings_to_proof for r in rehearsals
        ),
        moves=_quantiles(r.moves for r in rehearsals),
        travel_m=_quantiles(r.travel_m for r in rehearsals),
        bench_time_s=_quantiles(r.bench_time_s for r in rehearsals),
        cpu_s=_quantiles(r.cpu_s for r in rehearsals),
        reliability=reliability(rehearsals),
        path_length_covered=share(sum(abs(e) <= u for e, u in paths), len(paths))
        if paths
        else None,
        path_length_error=_errors([(error, 0.0) for error, _ in paths]),
        margin_low_error=_errors([(r.margin_low_m, r.true_margin_low_m) for r in reached]),
        margin_high_error=_errors([(r.margin_high_m, r.true_margin_high_m) for r in reached]),
        reflectivity_error=_relative([(r.reflectivity, r.true_reflectivity) for r in reached]),
        margin_nights=_quantiles(r.margin_nights for r in reached),
        margin_before_nights=_quantiles(r.margin_before_nights for r in reached),
        limit_violations=sum(r.limit_violations or 0 for r in rehearsals),
        survived=survival(rehearsals, wanted),
        worst=_worst(rehearsals, wanted),
        lost=tuple(lost),
    )


def survival(rehearsals: Iterable[Rehearsal], wanted: int) -> tuple[Survival, ...]:
    """For each fault that struck at all, in the order of their names."""
    ends: dict[str, list[Fate]] = {}
    for rehearsal in rehearsals:
        for struck in rehearsal.struck:
            ends.setdefault(struck.fault, []).append(fate(rehearsal, wanted))
    return tuple(
        Survival(fault, len(of), of.count(Fate.REACHED_TRUE), len(of) - of.count(Fate.WRONG))
        for fault, of in sorted(ends.items())
    )


def reliability(rehearsals: Iterable[Rehearsal]) -> tuple[ReliabilityBin, ...]:
    """Claimed probability against frequency, for the bins in which something was claimed.

    A bench makes several claims, which are not independent: in each bin its first one counts.
    """
    edges = np.array(RELIABILITY_EDGES)
    held: dict[int, list[tuple[float, bool]]] = {}
    for rehearsal in rehearsals:
        seen: set[int] = set()
        for claim in rehearsal.claims:
            at = min(int(np.searchsorted(edges, claim.probability, "right")), len(edges) - 1) - 1
            if at not in seen:
                seen.add(at)
                true = claim.passes == claim.true_passes
                held.setdefault(at, []).append((claim.probability, true))
    rows = []
    for at, claims in sorted(held.items()):
        claimed = float(np.mean([probability for probability, _ in claims]))
        low, high = binom.interval(CONFIDENCE, len(claims), claimed)
        rows.append(
            ReliabilityBin(
                float(edges[at]),
                float(edges[at + 1]),
                len(claims),
                claimed,
                sum(true for _, true in claims) / len(claims),
                float(low) / len(claims),
                float(high) / len(claims),
            )
        )
    return tuple(rows)


def _worst(rehearsals: Sequence[Rehearsal], wanted: int) -> tuple[Rehearsal, ...]:
    """A broken limit is worse than any fate; among equals, more readings are worse."""
    ranks = list(Fate)

    def badness(rehearsal: Rehearsal) -> tuple[int, int, int, int]:
        return (
            -(rehearsal.limit_violations or 0),
            ranks.index(fate(rehearsal, wanted)),
            -(rehearsal.readings or 0),
            rehearsal.index,
        )

    return tuple(sorted(rehearsals, key=badness)[:WORST])


def _quantiles(values: Iterable[float | None]) -> Quantiles:
    known = [value for value in values if value is not None]
    if not known:
        return Quantiles(None, None)
    return Quantiles(float(np.median(known)), float(np.percentile(known, 95.0)))


def _errors(pairs: Iterable[tuple[float | None, float | None]]) -> Errors | None:
    errors = [claimed - true for claimed, true in pairs if claimed is not None and true is not None]
    if not errors:
        return None
    return Errors(float(np.median(errors)), float(np.percentile(np.abs(errors), 95.0)))


def _relative(pairs: Iterable[tuple[float | None, float | None]]) -> RelativeErrors | None:
    errors = _errors(pairs)
    return None if errors is None else RelativeErrors(errors.median_m, errors.size_p95_m)


def _plain(errors: Errors | RelativeErrors | None) -> dict[str, float] | None:
    return None if errors is None else dict(vars(errors))

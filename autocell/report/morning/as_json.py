"""The morning report for other programs: plain JSON values, SI, ``None`` where unknown."""

from __future__ import annotations

from typing import Any

from autocell.report.morning.advice import advice
from autocell.report.morning.compared import Compared, Number, compared
from autocell.report.morning.morning import Morning
from autocell.report.morning.rows import moved
from autocell.report.morning.verdict import explanation, headline, state
from autocell.trends.nights import Night
from autocell.trends.series import Series

_SI = {
    "mm": "m",
    "mrad": "rad",
    "mW": "W",
    "µW": "W",
    "%": "1",
    "": "1",
    "nights of drift": "night",
}


def as_json(morning: Morning) -> dict[str, Any]:
    """All of it."""
    night, outcome, recovery = morning.night, morning.outcome, morning.recovery
    return {
        "bench": morning.bench.name,
        "bench_file": str(morning.bench.path),
        "bench_sha256": morning.bench.sha256,
        "version": morning.version,
        "made": morning.made.isoformat(),
        "night": None if night is None else night.date.isoformat(),
        "state": {"success": "well", "partly": "look", "failure": "alarm"}[state(morning)],
        "headline": headline(morning),
        "explanation": explanation(morning),
        "advice": [vars(piece) for piece in advice(morning)],
        "verdict": None if outcome is None else outcome.verdict.value,
        "runs": [run.summary.id for run in morning.runs],
        "hung": [run.summary.id for run in morning.hung],
        "under_way": morning.under_way,
        "missed": [each.date.isoformat() for each in morning.nights.missed],
        "retries": _sum(morning, "retries"),
        "communication_errors": _sum(morning, "communication_errors"),
        "compared": {row.words: _compared(row) for row in compared(morning)},
        "moved": {
            row.axis.name: {
                "moves": row.moves,
                "gross": row.gross,
                "net": row.net,
                "net_all_nights": row.net_all,
                "unit": _SI[row.axis.unit],
            }
            for row in moved(morning)
        },
        "recovery": None if recovery is None else recovery.as_json(),
        "nights": [_night(each) for each in morning.nights.nights],
        "trends": {series.name: _series(series) for series in morning.series},
        "left_out_runs_with_other_bench_file": morning.other_files,
    }


def _sum(morning: Morning, name: str) -> int | None:
    counts = [getattr(run.outcome, name) for run in morning.runs if run.outcome is not None]
    known = [count for count in counts if count is not None]
    return sum(known) if known else None


def _compared(row: Compared) -> dict[str, Any]:
    def pair(number: Number) -> dict[str, float] | None:
        return None if number is None else {"value": number[0], "u": number[1]}

    return {
        "unit": _SI.get(row.unit, row.unit),
        **dict(zip(("reference", "before", "after"), map(pair, row.numbers), strict=True)),
    }


def _night(night: Night) -> dict[str, Any]:
    return {
        "night": night.date.isoformat(),
        "runs": [run.summary.id for run in night.runs],
        "worst": None if night.worst is None else night.worst.value,
        "missed": night.missed,
        "hung": [run.summary.id for run in night.hung],
    }


def _series(series: Series) -> dict[str, Any]:
    trend, line = series.trend, series.trend.line
    return {
        "words": series.words,
        "unit": _SI.get(series.unit, series.unit),
        "nights": [value.date.isoformat() for value in series.values],
        "values": [value.value for value in series.values],
        "u": [value.u for value in series.values],
        "found": trend.found,
        "change_a_night": None if line is None else line.slope,
        "change_a_night_u": None if line is None else line.slope_u,
        "left_out": [k for k in range(len(series.values)) if k not in trend.used],
        "jump": None if trend.jump is None else vars(trend.jump),
        "forecasts": [
            {
                "limit": limit.value,
                "words": limit.words,
                "nights_earliest": ahead.earliest,
                "nights_middle": ahead.middle,
                "nights_latest": ahead.latest,
                "probability": 0.95,
            }
            for limit, ahead in series.forecasts
        ],
    }

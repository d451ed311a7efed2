"""What came of the last change, in the text format of Prometheus, in a file for its collector.

Needs the extra ``metrics`` (prometheus-client). Lengths are metres; what is not known is left out.
"""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from autocell.errors import UsageError
from autocell.outcome import Outcome, Verdict

if TYPE_CHECKING:
    from prometheus_client import CollectorRegistry


class Metrics:
    """A file that is written anew with each outcome; its name should end in ``.prom``.

    Raises UsageError when prometheus-client is not installed.
    """

    def __init__(self, file: Path, bench: str) -> None:
        try:
            from prometheus_client import CollectorRegistry, Counter, Gauge
        except ImportError as error:
            raise UsageError(
                "metrics_file needs prometheus-client; install autocell with the extra metrics: "
                "pip install 'autocell[metrics]'"
            ) from error
        self._file = file
        self._bench = bench
        self._registry: CollectorRegistry = CollectorRegistry()
        self._gauge = Gauge
        self._gauges: dict[str, Gauge] = {}
        self._runs = Counter(
            "autocell_runs", "Runs since this process began", ["bench", "verdict"],
            registry=self._registry,
        )  # fmt: skip

    def outcome(self, outcome: Outcome, ended: datetime) -> None:
        """Take an outcome in and write the file. Raises OSError."""
        from prometheus_client import write_to_textfile

        self._runs.labels(self._bench, outcome.verdict.value).inc()
        for verdict in Verdict:
            about = "1 for the verdict of the last run"
            self._set("verdict", about, verdict is outcome.verdict, verdict=verdict.value)
        self._set("last_run_timestamp_seconds", "When the last run ended", ended.timestamp())
        if outcome.verdict.exit_code == 0:
            about = "When a run last ended well"
            self._set("last_success_timestamp_seconds", about, ended.timestamp())
        ratio = None
        if outcome.throughput is not None and outcome.expected_throughput:
            ratio = outcome.throughput / outcome.expected_throughput
        self._set("power_ratio", "Throughput over what the reflectivity lets expect", ratio)
        for edge, margin in (("low", outcome.margin_low_m), ("high", outcome.margin_high_m)):
            self._set("margin_metres", "Distance to an edge along the spacing", margin, edge=edge)
        self._set("passes", "Passes of the last proved change", _proved_passes(outcome))
        self._set("moves", "Moves of the last run", outcome.moves)
        self._set("readings", "Readings of the last run", outcome.readings)
        write_to_textfile(str(self._file), self._registry)

    def _set(self, name: str, about: str, value: float | None, **labels: str) -> None:
        if name not in self._gauges:
            names = ["bench", *labels]
            self._gauges[name] = self._gauge(
                f"autocell_{name}", about, names, registry=self._registry
            )
        values = (self._bench, *labels.values())
        if value is not None:
            self._gauges[name].labels(*values).set(value)
        elif name != "passes":
            self._gauges[name].remove(*values)


def _proved_passes(outcome: Outcome) -> int | None:
    return outcome.passes if outcome.proof is not None and outcome.proof.proved else None

"""What came of the last change or recovery, in the text format of Prometheus, in a file for its
collector.

Needs the extra ``metrics`` (prometheus-client). Lengths are metres, angles radians; what is not
known is left out.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from autocell.errors import UsageError
from autocell.outcome import Outcome, Verdict, least_margin

if TYPE_CHECKING:
    from prometheus_client import CollectorRegistry


@dataclass(frozen=True)
class Standing:
    """An outcome, when its run ended, and the outcome that tells the margins where the bench stands
    now: the same, or that of the run since which it was found unchanged. None where none does."""

    outcome: Outcome
    ended: datetime
    margins_of: Outcome | None

    @property
    def margins(self) -> Iterator[tuple[str, str, str, float | None]]:
        """Kind of axis, axis, edge, and how far that is, m or rad."""
        proved = self.margins_of
        if proved is None:
            return
        for margin in proved.margins:
            kind = "metres" if margin.unit == "mm" else "radians"
            yield kind, margin.axis, "low", margin.low
            yield kind, margin.axis, "high", margin.high
        if all(margin.axis != "spacing" for margin in proved.margins):  # an axis without drift
            yield "metres", "spacing", "low", proved.margin_low_m
            yield "metres", "spacing", "high", proved.margin_high_m

    @property
    def margin_nights(self) -> float | None:
        """Nights of drift that are left of the least margin."""
        recovery = self.outcome.recovery
        if self.margins_of is None:
            return None
        if self.margins_of is not self.outcome and recovery is not None:
            return recovery.margin_nights_left
        least = least_margin(self.margins_of.margins)
        return None if least is None else least.nights


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

    def begin(self, before: Sequence[Standing]) -> None:
        """Take in what processes before this one came to, the oldest first, and write the file:
        a start must not make a success forgotten. Raises OSError."""
        for standing in before:
            self._take_in(standing)
        self._write()

    def ended(self, standing: Standing) -> None:
        """Take an outcome in and write the file. Raises OSError."""
        self._runs.labels(self._bench, standing.outcome.verdict.value).inc()
        self._take_in(standing)
        self._write()

    def _write(self) -> None:
        from prometheus_client import write_to_textfile

        write_to_textfile(str(self._file), self._registry)

    def _take_in(self, standing: Standing) -> None:
        outcome, ended_s = standing.outcome, standing.ended.timestamp()
        for verdict in Verdict:
            about = "1 for the verdict of the last run"
            self._set("verdict", about, verdict is outcome.verdict, verdict=verdict.value)
        self._set("last_run_timestamp_seconds", "When the last run ended", ended_s)
        if outcome.verdict.exit_code == 0:
            about = "When a run last ended well"
            self._set("last_success_timestamp_seconds", about, ended_s)
        about = "Power of the last run over that of the reference setting, or the throughput over"
        about += " what the reflectivity lets expect"
        self._set("power_ratio", about, _of_reference(outcome), to="reference")
        self._set("power_ratio", about, _of_expected(outcome), to="expected")
        self._set_margins(standing)
        if outcome.proof is not None and outcome.proof.proved:
            self._set("passes", "Passes of the last proved run", outcome.passes)
        self._set("moves", "Moves of the last run", outcome.moves)
        self._set("readings", "Readings of the last run", outcome.readings)
        about = "Questions and readings of the last run that had to be asked for again"
        self._set("retries", about, outcome.retries)
        about = "Replies of the last run that were lost, late or damaged, and lines that went away"
        self._set("communication_errors", about, outcome.communication_errors)

    def _set_margins(self, standing: Standing) -> None:
        about = "Distance to where the pattern is lost, where it was proved last"
        for kind in ("metres", "radians"):
            self._clear(f"margin_{kind}")
        for kind, axis, edge, distance in standing.margins:
            self._set(f"margin_{kind}", about, distance, axis=axis, edge=edge)
        about = "Nights of drift that are left of the least margin"
        self._set("margin_nights", about, standing.margin_nights)

    def _clear(self, name: str) -> None:
        if name in self._gauges:
            self._gauges[name].clear()

    def _set(self, name: str, about: str, value: float | None, **labels: str) -> None:
        if name not in self._gauges:
            names = ["bench", *labels]
            self._gauges[name] = self._gauge(
                f"autocell_{name}", about, names, registry=self._registry
            )
        values = (self._bench, *labels.values())
        if value is None:
            self._gauges[name].remove(*values)
        else:
            self._gauges[name].labels(*values).set(value)


def _of_reference(outcome: Outcome) -> float | None:
    """The power ratio that a recovery ended with, or else began with."""
    recovery = outcome.recovery
    ratio = None if recovery is None else recovery.power_after or recovery.power_before
    return None if ratio is None else ratio.value


def _of_expected(outcome: Outcome) -> float | None:
    if outcome.throughput is None or not outcome.expected_throughput:
        return None
    return outcome.throughput / outcome.expected_throughput

"""Metrics in a file, read back by the reference parser, of runs in a real store."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest
from prometheus_client.parser import text_string_to_metric_families

from autocell.bench.clock import VirtualClock
from autocell.outcome import AxisMargin, Outcome, Proof, Verdict
from autocell.programme.programme import Programme, load
from autocell.programme.watch import Watch
from autocell.records import Store
from autocell.recovery import Condition, Ratio, Recovery, Reference
from tests.records.conftest import BEGAN

MARGINS = (
    AxisMargin("spacing", "mm", 6e-4, 7e-4, 1e-5, 1e-5, 2e-5, located=True),
    AxisMargin("pitch", "mrad", None, 3e-4, None, 2e-5, 5e-5),
)
REACHED = Outcome(
    Verdict.REACHED, "set between the edges", 62, 62, Proof(True, 0.9999), moves=12,
    throughput=0.39, expected_throughput=0.4, margin_low_m=6e-4, margin_high_m=7e-4,
    margins=MARGINS, retries=3, communication_errors=2,
)  # fmt: skip
HELD = Outcome(Verdict.HELD, "not proved: an edge was not found", 62)

Found = dict[tuple[str, ...], float]


class Watched:
    """A bench whose programme writes metrics; each process of it begins with :meth:`process`."""

    def __init__(self, folder: Path) -> None:
        self.store = folder / "runs.sqlite"
        self.file = folder / "autocell.prom"
        path = folder / "programme.yaml"
        path.write_text(
            "programme: nights\nbench: peat-bog\ntime_zone: UTC\n"
            "notices: {metrics_file: autocell.prom}\nsteps: [{change: 62}]\n",
            "utf-8",
        )
        self.programme: Programme = load(path)
        self.watch = self.process()

    def process(self) -> Watch:
        self.watch = Watch(self.programme, self.store, VirtualClock(), pytest.fail)
        return self.watch

    def run(self, command: str, outcome: Outcome) -> str:
        """A run with this outcome, of which the programme is told; its id."""
        with Store.open(self.store) as store:
            writer = store.begin(command, self.programme.bench, BEGAN, "0", {"programme": "nights"})
            outcome = writer.finish(outcome)
        self.watch.ended(outcome)
        return writer.id

    def ended_at(self, run: str) -> float:
        with Store.open(self.store) as store:
            ended = store.run(run).summary.finished_utc
        assert ended is not None
        return ended.timestamp()

    def found(self) -> Found:
        """The samples in the file, by name and the values of the labels after that of the bench."""
        samples = [
            sample
            for family in text_string_to_metric_families(self.file.read_text("utf-8"))
            for sample in family.samples
        ]
        bench = self.programme.bench.name
        assert {sample.labels.pop("bench") for sample in samples} <= {bench}
        return {(each.name, *each.labels.values()): each.value for each in samples}


@pytest.fixture
def watched(tmp_path: Path) -> Watched:
    return Watched(tmp_path)


def unchanged(run: str) -> Outcome:
    """A recovery that found its bench as ``run`` had proved it, and moved nothing."""
    seen = Condition(3e-4, 1e-6)
    recovery = Recovery(
        Reference(run, 62, 4.0, seen, 30.0), seen, seen, Ratio(0.98, 0.01), Ratio(0.99, 0.01),
        margin_nights_left=2.0,
    )  # fmt: skip
    return Outcome(Verdict.UNCHANGED, "as it was", 62, recovery=recovery, retries=1)


def test_a_change_shows_ratio_margins_of_every_axis_and_retries(watched: Watched) -> None:
    watched.run("change", REACHED)
    found = watched.found()
    assert found["autocell_power_ratio", "expected"] == pytest.approx(0.975)
    assert ("autocell_power_ratio", "reference") not in found
    assert {key: value for key, value in found.items() if "margin" in key[0]} == {
        ("autocell_margin_metres", "spacing", "low"): 6e-4,
        ("autocell_margin_metres", "spacing", "high"): 7e-4,
        ("autocell_margin_radians", "pitch", "high"): 3e-4,
        ("autocell_margin_nights",): pytest.approx(6.0),
    }
    assert found["autocell_retries",] == 3.0
    assert found["autocell_communication_errors",] == 2.0
    assert found["autocell_passes",] == 62.0
    assert found["autocell_runs_total", "reached"] == 1.0


def test_a_spacing_that_does_not_drift_has_its_margin_too(watched: Watched) -> None:
    watched.run("change", replace(REACHED, margins=MARGINS[1:]))
    assert watched.found()["autocell_margin_metres", "spacing", "low"] == 6e-4


def test_a_bench_that_a_recovery_found_unchanged_keeps_its_margins(watched: Watched) -> None:
    proved = watched.run("change", REACHED)
    run = watched.run("recover", unchanged(proved))
    found = watched.found()
    assert found["autocell_verdict", "unchanged"] == 1.0
    assert found["autocell_power_ratio", "reference"] == 0.99
    assert ("autocell_power_ratio", "expected") not in found, "no throughput was measured"
    assert found["autocell_margin_metres", "spacing", "low"] == 6e-4
    assert found["autocell_margin_nights",] == 2.0
    assert found["autocell_passes",] == 62.0
    assert found["autocell_retries",] == 1.0
    assert found["autocell_last_success_timestamp_seconds",] >= watched.ended_at(run)


def test_a_recovery_that_is_held_shows_the_light_that_it_found(watched: Watched) -> None:
    proved = watched.run("change", REACHED)
    recovery = unchanged(proved).recovery
    assert recovery is not None
    dimmer = replace(recovery, power_before=Ratio(0.2, 0.01), power_after=None)
    watched.run("recover", replace(HELD, recovery=dimmer))
    found = watched.found()
    assert found["autocell_power_ratio", "reference"] == 0.2
    assert not any("margin" in key[0] for key in found), "it stands where nobody proved anything"


def test_what_is_not_known_is_left_out(watched: Watched) -> None:
    watched.run("change", REACHED)
    watched.run("change", HELD)
    found = watched.found()
    assert found["autocell_verdict", "held"] == 1.0
    assert found["autocell_verdict", "reached"] == 0.0
    assert found["autocell_passes",] == 62.0, "the last that was proved"
    names = {key[0] for key in found}
    unknown = ("power_ratio", "margin_metres", "margin_nights", "retries", "communication_errors")
    assert not names & {f"autocell_{name}" for name in unknown}


def test_a_start_and_a_held_night_leave_the_last_success(watched: Watched) -> None:
    success = watched.run("change", REACHED)
    watched.run("change", HELD)
    watched.file.unlink()
    watched.process()
    at_the_start = watched.found()
    assert at_the_start["autocell_verdict", "held"] == 1.0
    watched.run("change", HELD)
    found = watched.found()
    for each in (at_the_start, found):
        last = each["autocell_last_success_timestamp_seconds",]
        assert math.isclose(last, watched.ended_at(success), abs_tol=1e-3)
        assert each["autocell_passes",] == 62.0
    assert found["autocell_runs_total", "held"] == 1.0, "since this process began"
    assert ("autocell_runs_total", "reached") not in found


def test_a_start_after_an_unchanged_night_has_its_margins(watched: Watched) -> None:
    watched.run("recover", unchanged(watched.run("change", REACHED)))
    before = watched.found()
    watched.file.unlink()
    watched.process()
    assert {key: value for key, value in watched.found().items() if "margin" in key[0]} == {
        key: value for key, value in before.items() if "margin" in key[0]
    }


def test_only_changes_and_recoveries_count(watched: Watched) -> None:
    """A survey is unchanged at its end, and a success of its own kind."""
    with Store.open(watched.store) as store:
        writer = store.begin("survey", watched.programme.bench, BEGAN, "0", {})
        writer.finish(Outcome(Verdict.UNCHANGED, "surveyed"))
    watched.process()
    assert ("autocell_last_success_timestamp_seconds",) not in watched.found()

"""First moves by the driver, on the simulated bench, in a dialect that has sign or scale wrong.

What a dialect has wrong alike for what it sends and what it reads, no read-back shows: the travel
that the controller tells does, and else only the light.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from autocell_simulators.bench import SimulatedBench
from autocell_simulators.inprocess import connector

from autocell.bench.clock import VirtualClock
from autocell.bench.file import load, shipped
from autocell.bench.opening import open_bench
from autocell.bench.trust import Trust
from autocell.errors import BenchFileError, MotionError

Change = tuple[str, str]

READS_NO_MINUS = ("(?P<position>{number})", "-?(?P<position>[0-9.]+)")
A_ZERO_TOO_MANY = ("G{axis}{target}", "G{axis}{target}0")


def bench_file(folder: Path, dialect: str, change: Change) -> Path:
    """The shipped bench on a dialect in which one text stands for another."""
    words = shipped(dialect).read_text("utf-8")
    assert words.count(change[0]) == 1
    (folder / f"{dialect}.yaml").write_text(words.replace(*change), "utf-8")
    text = shipped("peat-bog").read_text("utf-8")
    text = text.replace("plain-motion.yaml", f"{dialect}.yaml")
    text = text.replace("identity: PLAIN-MOTION", f"identity: {dialect.upper()}")
    before, _, after = text.partition("shutter:")
    path = folder / "bench.yaml"
    path.write_text(before + after[after.index("caps:") :], "utf-8")
    return path


@pytest.mark.parametrize(
    ("dialect", "change", "told"),
    [
        ("plain-motion", READS_NO_MINUS, "the wrong way.*direction of the motor or of the encoder"),
        ("checked-motion", READS_NO_MINUS, "the wrong way"),
        ("step-counting-motion", A_ZERO_TOO_MANY, "times as far: the wrong scale.*units_per_mm"),
    ],
)
def test_a_dialect_that_is_wrong_stops_the_axis_at_its_first_move(
    tmp_path: Path, dialect: str, change: Change, told: str
) -> None:
    path = bench_file(tmp_path, dialect, change)
    clock = VirtualClock()
    simulated = SimulatedBench(load(path), 7, clock)
    before = simulated.true_positions()
    with open_bench(load(path), clock=clock, connect=connector(simulated)) as bench:
        with pytest.raises(MotionError, match=told) as refusal:
            bench.move_axes({"horizontal": -1.5e-3}, "test")
        assert bench.trust()["horizontal"] is Trust.LOST
    assert str(refusal.value).startswith("horizontal: its first move was asked to go")
    clock.sleep(5.0)
    after = simulated.true_positions()
    # 1 % of its 4 mm, or what it ran at 1 mm/s until it was seen beyond that
    assert abs(after["horizontal"] - before["horizontal"]) < 0.04e-3 + 0.3e-3
    report = simulated.truth_report()
    assert report["moves"] == 1
    assert report["limit_violations"] == 0


@pytest.mark.parametrize("dialect", ["plain-motion", "checked-motion"])
def test_a_scale_that_is_wrong_both_ways_is_found_by_the_travel_that_the_controller_tells(
    tmp_path: Path, dialect: str
) -> None:
    path = bench_file(tmp_path, dialect, ("units_per_mm: 1,", "units_per_mm: 10,"))
    clock = VirtualClock()
    simulated = SimulatedBench(load(path), 7, clock)
    opening = open_bench(load(path), clock=clock, connect=connector(simulated))
    with pytest.raises(BenchFileError, match=r"axes\.spacing\.limits_mm"), opening:
        pass
    assert simulated.truth_report()["moves"] == 0

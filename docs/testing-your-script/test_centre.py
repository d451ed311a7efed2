"""Tests of a script that knows nothing of autocell, against a bench that fails."""

import subprocess
import sys
from pathlib import Path

import pytest

SCRIPT = Path(__file__).with_name("centre.py")


def run(bench) -> subprocess.CompletedProcess[str]:
    """The script as its users start it, with the addresses where the bench is served."""
    host, port = bench.addresses["meter"].split("::")[1:3]
    return subprocess.run(
        [sys.executable, SCRIPT, bench.addresses["motion"], f"{host}:{port}"],
        capture_output=True, text=True, timeout=300,
    )  # fmt: skip


def test_it_finds_the_middle_of_the_light(served_bench):
    ended = run(served_bench)
    assert ended.returncode == 0, ended.stderr
    truth = served_bench.truth()
    # off by less than a step, whatever the tolerances of the bench
    beam_off_mm = 1e3 * (truth["positions"]["horizontal"] + truth["drawn"]["beam_x_offset_m"])
    assert abs(beam_off_mm) < 0.4
    assert truth["limit_violations"] == 0
    assert truth["passes"] == 6


@pytest.mark.bench(seed=3, scenario="bad-lines.yaml")
def test_bad_lines_change_nothing_about_what_it_finds(served_bench):
    ended = run(served_bench)
    assert ended.returncode == 0, ended.stderr
    assert {event.fault for event in served_bench.events} >= {"late-reply", "lost-reply"}
    assert abs(float(ended.stdout)) < 0.4
    assert served_bench.truth()["counters"]["horizontal"] == pytest.approx(
        float(ended.stdout) * 1e-3, abs=2e-6
    )


@pytest.mark.bench(
    scenario=[{"fault": "disconnected", "device": "meter", "when": {"reading": 3}}],
)
def test_without_a_meter_it_says_so_and_stops(served_bench):
    ended = run(served_bench)
    assert ended.returncode == 1
    assert "the power meter" in ended.stderr
    assert "Traceback" not in ended.stderr


@pytest.mark.bench(scenario=[{"fault": "laser-drift", "percent": 3.0, "period_h": 10.0}])
def test_a_night_takes_no_time_on_the_virtual_clock(virtual_bench):
    def power_w() -> float:
        return float(virtual_bench.ask("meter", b"READ?\n", b"\n"))

    virtual_bench.ask("meter", b"SENS:POW:WAV 1654;RANG 10MW;:SENS:AVER:COUN 500;*OPC?\n", b"\n")
    evening_w = power_w()
    virtual_bench.clock.sleep(5 * 3600.0)
    assert power_w() / evening_w == pytest.approx(0.97, abs=0.005)

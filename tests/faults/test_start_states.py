"""How a bench may be found: each state is what its name says, to who looks and to who knows."""

import pytest
from autocell_simulators.start_states import START_STATES

from autocell.description import BenchDescription
from tests.faults.conftest import Client


def test_the_states_have_the_names_of_the_bench_room() -> None:
    assert set(START_STATES) == {
        "six-pass", "aligned", "knocked", "power-cycled", "dark", "wrong-pass-count", "hot",
        "dusty",
    }  # fmt: skip


@pytest.mark.parametrize("seed", range(5))
def test_aligned_is_where_the_bench_file_says_whatever_the_tolerances(
    description: BenchDescription, seed: int
) -> None:
    client = Client(description, start="aligned", seed=seed, scale=1.0)
    wanted = description.zero.at_spacing(0.25).as_array()
    found = client.bench.optics.setting(client.bench.true_positions())
    assert [float(value) for value in found] == pytest.approx(list(wanted), abs=1e-9)
    assert client.counter("pitch") == pytest.approx(client.true("pitch"), abs=1e-5)
    assert client.bench.truth_report()["passes"] == 6


def test_knocked_has_lost_most_of_its_power_and_can_be_turned_back(
    description: BenchDescription,
) -> None:
    client = Client(description, start="knocked")
    assert client.read() / client.expected_w() == pytest.approx(0.4, abs=0.01)
    truth = client.bench.optics.truth
    for axis, off in (
        ("yaw", truth.beam_slope_x_offset),
        ("pitch", truth.beam_slope_y_offset),
        ("horizontal", truth.beam_x_offset_m),
        ("vertical", truth.beam_y_offset_m),
    ):
        client.go(axis, max(min(-off, 2e-3), -2e-3) if axis in ("horizontal", "vertical") else -off)
    assert client.read() > 0.9 * client.expected_w()


def test_power_cycled_reads_zero_and_dark_reads_nothing(description: BenchDescription) -> None:
    cycled = Client(description, start="power-cycled")
    assert cycled.counter("spacing") == 0.0
    assert cycled.read() == pytest.approx(cycled.expected_w(), rel=1e-6)
    assert Client(description, start="dark").read() == pytest.approx(0.0, abs=1e-12)


def test_a_wrong_pass_count_is_clean_light_on_another_path(description: BenchDescription) -> None:
    report = Client(description, start="wrong-pass-count").bench.truth_report()
    assert report["passes"] not in (0, 6)
    assert report["passes_power_fraction"] > 0.95 * report["power_fraction"]
    assert report["counters"]["spacing"] == pytest.approx(report["positions"]["spacing"], abs=1e-6)


def test_hot_is_five_kelvin_away_and_comes_back(description: BenchDescription) -> None:
    client = Client(description, start="hot")
    spacing_m = client.bench.truth_report()["spacing_m"]
    assert client.bench.truth_report()["room_k"] == pytest.approx(5.0, abs=0.01)
    assert spacing_m - 0.25 == pytest.approx(5.0 * 8e-6, rel=0.01)
    client.wait(12.0 * 3600.0)
    room_k = client.bench.truth_report()["room_k"]
    # five kelvin come back with a time constant of two hours; then it is night, and a cycle
    assert room_k == pytest.approx(-1.0 + 5.0 * 0.0024788, abs=0.31)


def test_dusty_costs_a_speck_and_half_a_year_of_film(description: BenchDescription) -> None:
    client = Client(description, start="dusty")
    # six passes, five reflections: 0.05 % for each month and reflection, and one speck of 5 %
    expected = 0.95 * (1.0 - 6 * 0.0005) ** 5
    assert client.read() / client.expected_w() == pytest.approx(expected, rel=1e-3)


@pytest.mark.parametrize("state", START_STATES)
def test_every_state_is_the_same_for_the_same_seed(
    description: BenchDescription, state: str
) -> None:
    reports = []
    for _ in range(2):
        client = Client(description, start=state, scale=1.0, seed=11)
        report = client.bench.truth_report()
        reports.append({key: report[key] for key in ("positions", "power_fraction", "passes")})
    assert reports[0] == reports[1]

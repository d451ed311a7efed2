"""Rows 14 to 21, 37 and 38: what each fault of the light does to the readings, and by how much."""

import dataclasses
import math
from collections.abc import Callable

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from autocell.description import BenchDescription
from autocell.optics.cell import Cell, InputBeam
from autocell.optics.trace import trace
from tests.faults.conftest import Client, spread

HOUR_S = 3600.0
SLOPE = 0.047
"""Of the stage, m: there the power falls steeply with the spacing."""


def lagged(room_k: Callable[[float], float], lag_s: float, start_k: float, time_s: float) -> float:
    """dT/dt = (room − T)/τ by numbers."""
    solution = solve_ivp(
        lambda t, body: (room_k(t) - body) / lag_s, (0.0, time_s), [start_k], rtol=1e-9, atol=1e-12
    )
    return float(solution.y[0, -1])


def test_the_room_cycles_and_swings_over_the_night(description: BenchDescription) -> None:
    fault = {"fault": "room-temperature", "cycle_k": 0.4, "period_min": 20.0, "night_k": -1.5}
    client = Client(description, fault)
    room_k = []
    for _ in range(1440):
        room_k.append(client.bench.rig.whole.room.at(client.clock.now()))
        client.wait(60.0)
    hours = np.arange(1440) / 60.0
    night_k = -1.5 * (1.0 - np.cos(2.0 * np.pi * hours / 24.0)) / 2.0
    rest_k = np.array(room_k) - night_k
    assert np.ptp(rest_k) == pytest.approx(0.4, rel=0.02)
    crossings = np.flatnonzero(np.diff(np.sign(rest_k - rest_k.mean())))
    assert np.mean(np.diff(crossings)) == pytest.approx(10.0, rel=0.02)  # minutes, half a period
    assert room_k[0] == pytest.approx(0.0, abs=1e-4)
    assert night_k.min() == pytest.approx(-1.5)


def test_the_spacing_grows_with_the_base_behind_the_room(description: BenchDescription) -> None:
    room = {"fault": "room-temperature", "cycle_k": 0.0, "night_k": -2.0, "away_k": 3.0,
            "back_min": 40.0}  # fmt: skip
    growth = {"fault": "spacing-expansion", "um_per_k": 10.0, "lag_min": 30.0}
    client = Client(description, room, growth, at={"spacing": SLOPE})

    def room_k(time_s: float) -> float:
        night = -2.0 * (1.0 - math.cos(2.0 * math.pi * time_s / (24.0 * HOUR_S))) / 2.0
        return night + 3.0 * math.exp(-time_s / 2400.0)

    for hours in (0.0, 0.5, 1.0, 4.0):
        client.wait(hours * HOUR_S)
        time_s = client.clock.now()
        grown_m = 10e-6 * lagged(room_k, 1800.0, 3.0, time_s)
        report = client.bench.truth_report()
        assert report["spacing_m"] == pytest.approx(0.21 + SLOPE + grown_m, abs=2e-9)
        assert client.read() == pytest.approx(client.expected_w(spacing=SLOPE + grown_m), rel=1e-5)
    assert client.read() > 1.002 * client.expected_w(spacing=SLOPE)


def test_a_cycle_reaches_the_base_smaller_and_later(description: BenchDescription) -> None:
    room = {"fault": "room-temperature", "cycle_k": 1.0, "period_min": 30.0, "night_k": 0.0}
    growth = {"fault": "spacing-expansion", "um_per_k": 10.0, "lag_min": 20.0}
    client = Client(description, room, growth)
    client.wait(6.0 * HOUR_S)
    room_k, spacing_m = [], []
    for _ in range(180):
        client.wait(10.0)
        room_k.append(client.bench.rig.whole.room.at(client.clock.now()))
        positions = client.bench.true_positions()
        spacing_m.append(client.bench.optics.spacing_m(positions))
    # first-order lag: 1/√(1 + (ωτ)²), late by atan(ωτ)/ω
    turn = 2.0 * math.pi / 1800.0 * 1200.0
    assert np.ptp(spacing_m) == pytest.approx(10e-6 / math.hypot(1.0, turn), rel=0.01)
    late = (int(np.argmax(spacing_m)) - int(np.argmax(room_k))) * 10.0 % 1800.0
    assert late == pytest.approx(math.atan(turn) / (2.0 * math.pi) * 1800.0, abs=15.0)


def test_part_of_a_tilt_does_not_return(description: BenchDescription) -> None:
    room = {"fault": "room-temperature", "cycle_k": 0.0, "night_k": -3.0}
    tilt = {"fault": "mount-tilt", "urad_per_k": 200.0, "lag_min": 0.0, "held_percent": 40.0,
            "held_k": 0.5}  # fmt: skip
    client = Client(description, room, tilt, at={"horizontal": 1.8e-3})
    before = client.bench.optics.truth
    tilts = []
    for _ in range(24):
        client.wait(HOUR_S)
        client.bench.true_positions()
        truth = client.bench.optics.truth
        tilts.append(math.hypot(truth.far_tilt_x_rad, truth.far_tilt_y_rad))
    # at −3 K the free part has gone 3 K and the held part 3 − 0.5; back at 0 K the latter is left
    # behind by the play alone, 0.5 K of it
    assert tilts[11] == pytest.approx(200e-6 * (0.6 * 3.0 + 0.4 * 2.5), rel=1e-6)
    assert tilts[23] == pytest.approx(200e-6 * 0.4 * 0.5, rel=1e-6)
    truth = client.bench.optics.truth
    assert truth.far_tilt_x_rad != before.far_tilt_x_rad

    def tilted(cell: Cell, beam: InputBeam) -> tuple[Cell, InputBeam]:
        far = dataclasses.replace(
            cell.far_mirror, tilt_x_rad=truth.far_tilt_x_rad, tilt_y_rad=truth.far_tilt_y_rad
        )
        return dataclasses.replace(cell, far_mirror=far), beam

    assert client.read() == pytest.approx(client.expected_w(tilted, horizontal=1.8e-3), rel=1e-5)
    assert client.read() != pytest.approx(client.expected_w(horizontal=1.8e-3), rel=1e-5)


def test_friction_holds_a_mount_until_it_is_pushed_far_enough(
    description: BenchDescription,
) -> None:
    room = {"fault": "room-temperature", "cycle_k": 0.0, "night_k": -3.0}
    tilt = {"fault": "mount-tilt", "lag_min": 0.0, "held_percent": 100.0, "held_k": 1.5,
            "urad_per_k": 10.0}  # fmt: skip
    client = Client(description, room, tilt)
    for _ in range(12):
        client.wait(0.5 * HOUR_S)
        client.bench.true_positions()
        held = client.bench.optics.truth.far_tilt_x_rad == 0.0
        assert held == (abs(client.bench.rig.whole.room.at(client.clock.now())) <= 1.5)


def test_how_often_one_looks_changes_no_hysteresis(description: BenchDescription) -> None:
    room = {"fault": "room-temperature", "cycle_k": 2.0, "period_min": 15.0}
    tilt = {"fault": "mount-tilt", "lag_min": 1.0, "held_k": 0.3}
    seldom, often = (Client(description, room, tilt) for _ in range(2))
    seldom.wait(5000.0)
    for _ in range(1000):
        often.wait(5.0)
        often.bench.true_positions()
    ends = []
    for client in (seldom, often):
        client.wait(5000.0 - client.clock.now() + 100.0)
        client.bench.true_positions()
        ends.append(client.bench.optics.truth)
    assert ends[0].far_tilt_x_rad == pytest.approx(ends[1].far_tilt_x_rad, rel=1e-9)


def test_the_launch_points_elsewhere_when_it_is_warm(description: BenchDescription) -> None:
    room = {"fault": "room-temperature", "cycle_k": 0.0, "night_k": 4.0}
    launch = {"fault": "launch-pointing", "urad_per_k": 1000.0, "lag_min": 0.0}
    client = Client(description, room, launch, at={"spacing": SLOPE})
    client.wait(12.0 * HOUR_S)
    client.bench.true_positions()
    truth = client.bench.optics.truth
    slopes = truth.beam_slope_x_offset, truth.beam_slope_y_offset
    assert math.hypot(*slopes) == pytest.approx(4e-3, rel=1e-5)

    def turned(cell: Cell, beam: InputBeam) -> tuple[Cell, InputBeam]:
        return cell, dataclasses.replace(
            beam,
            slope_x=np.asarray(beam.slope_x) + slopes[0],
            slope_y=np.asarray(beam.slope_y) + slopes[1],
        )

    assert client.read() == pytest.approx(client.expected_w(turned, spacing=SLOPE), rel=1e-5)


def test_the_laser_drifts_down_and_comes_back(description: BenchDescription) -> None:
    client = Client(description, {"fault": "laser-drift", "percent": 3.0, "period_h": 2.0})
    before_w = client.read()
    client.wait(HOUR_S)
    assert client.read() / before_w == pytest.approx(0.97, abs=1e-5)
    client.wait(HOUR_S)
    assert client.read() / before_w == pytest.approx(1.0, abs=1e-5)


def test_a_cold_laser_comes_up(description: BenchDescription) -> None:
    client = Client(description, {"fault": "warm-up", "percent": 5.0, "time_constant_min": 10.0})
    full_w = client.expected_w()
    assert client.read() / full_w == pytest.approx(0.95, abs=1e-4)
    client.wait(600.0)
    lacks = 0.05 * math.exp(-client.clock.now() / 600.0)
    assert client.read() / full_w == pytest.approx(1.0 - lacks, abs=1e-4)


def test_a_mode_hop_steps_the_power_and_may_step_it_back(description: BenchDescription) -> None:
    fault = {"fault": "mode-hop", "percent": 4.0, "when": {"at_s": 100.0}, "for_s": 50.0}
    client = Client(description, fault)
    before_w = client.read()
    client.wait(100.0)
    assert abs(client.read() / before_w - 1.0) == pytest.approx(0.04, rel=1e-6)
    client.wait(50.0)
    assert client.read() == pytest.approx(before_w)
    assert [(event.what, event.time_s) for event in client.events] == [
        ("begins", pytest.approx(100.0, abs=1.0)),
        ("ends", pytest.approx(150.0, abs=1.0)),
    ]


def test_feedback_adds_noise_by_how_straight_the_light_goes_back(
    description: BenchDescription,
) -> None:
    fault = {"fault": "optical-feedback", "percent": 5.0, "divergence_mrad": 150.0}
    client = Client(description, fault)
    # the ray that leaves after six passes, from the described cell; straight back has its slopes
    setting = client.description.setting({"spacing": 0.04})
    beam = client.description.beam(setting)
    ux, uy, uz = trace(client.description.cell(setting.spacing_m), beam, 6).direction[5]
    away = math.hypot(ux / uz - beam.slope_x, uy / uz - beam.slope_y)
    expected = 0.05 * math.exp(-((away / 0.15) ** 2))
    assert 0.005 < expected < 0.049
    readings = [client.read() for _ in range(400)]
    # of 400 readings the spread is known to 3.5 %
    assert spread(readings) / np.mean(readings) == pytest.approx(expected, rel=0.11)
    client.bench.end("optical-feedback")
    assert spread([client.read() for _ in range(5)]) < 1e-6 * float(np.mean(readings))


def test_a_fringe_has_its_size_and_half_a_wavelength_of_period(
    description: BenchDescription,
) -> None:
    client = Client(description, {"fault": "etalon-fringe", "percent": 1.0})
    spacings_m, powers = [], []
    for count in range(60):
        client.go("spacing", 0.04 + count * 0.2e-6)
        spacings_m.append(client.true("spacing"))
        powers.append(client.read())
    turn = 4.0 * np.pi / 1654e-9 * np.array(spacings_m)
    waves = np.stack([np.ones_like(turn), np.cos(turn), np.sin(turn)]).T
    (mean, cosine, sine), *_ = np.linalg.lstsq(waves, np.array(powers), rcond=None)
    assert 2.0 * math.hypot(cosine, sine) / mean == pytest.approx(0.01, rel=1e-3)
    assert np.max(np.abs(waves @ [mean, cosine, sine] - powers)) < 1e-5 * mean


def test_astigmatic_mirrors_move_the_edge_of_a_plateau(description: BenchDescription) -> None:
    client = Client(
        description, {"fault": "mirror-astigmatism", "percent": 2.0}, at={"spacing": SLOPE}
    )

    def astigmatic(cell: Cell, beam: InputBeam) -> tuple[Cell, InputBeam]:
        mirrors = [
            dataclasses.replace(mirror, radius_x_m=0.5 * 0.99, radius_y_m=0.5 * 1.01)
            for mirror in (cell.entrance_mirror, cell.far_mirror)
        ]
        return dataclasses.replace(cell, entrance_mirror=mirrors[0], far_mirror=mirrors[1]), beam

    assert client.read() == pytest.approx(client.expected_w(astigmatic, spacing=SLOPE), rel=1e-6)
    assert abs(client.read() / client.expected_w(spacing=SLOPE) - 1.0) > 0.01


def test_a_beam_that_is_not_matched_softens_the_edges(description: BenchDescription) -> None:
    fault = {"fault": "beam-mismatch", "m_squared": 1.5, "waist_factor": 2.0}
    client = Client(description, fault, at={"spacing": SLOPE})

    def wide(cell: Cell, beam: InputBeam) -> tuple[Cell, InputBeam]:
        return cell, dataclasses.replace(
            beam, waist_x_m=0.66e-3, waist_y_m=0.66e-3, beam_quality=1.5
        )

    assert client.read() == pytest.approx(client.expected_w(wide, spacing=SLOPE), rel=1e-6)
    assert abs(client.read() / client.expected_w(spacing=SLOPE) - 1.0) > 0.01

"""Axes that are described by what they are, and the turn that leaves the beam in the hole."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from autocell.bench.file import load, shipped
from autocell.bench.mounts import effect_of
from autocell.bench.schema import AngularInputAxis, LinearInputAxis
from autocell.description import BenchDescription
from autocell.errors import BenchFileError, UsageError

GOOD = shipped("peat-bog").read_text("utf-8")
PITCH = "    moves: {slope_y: 1.0, y_mm_per_mrad: 0.0}   # per mrad: slope in mrad, beam at the hole in mm\n"  # noqa: E501
YAW = "    moves: {slope_x: 1.0, x_mm_per_mrad: 0.0}\n"
Vector = NDArray[np.float64]


def linear(**described: Any) -> LinearInputAxis:
    return LinearInputAxis.model_validate(
        {
            "device": "motion", "channel": 1, "limits_mm": [-1, 1], "speed_mm_per_s": 1,
            "acceleration_mm_per_s2": 1, "backlash_mm": 0, "repeatability_mm": 0.001,
            "overnight_drift_mm": 0, **described,
        }
    )  # fmt: skip


def angular(**described: Any) -> AngularInputAxis:
    return AngularInputAxis.model_validate(
        {
            "device": "motion", "channel": 1, "limits_mrad": [-1, 1], "speed_mrad_per_s": 1,
            "acceleration_mrad_per_s2": 1, "backlash_mrad": 0, "repeatability_mrad": 0.001,
            "overnight_drift_mrad": 0, **described,
        }
    )  # fmt: skip


def effect(**adjuster: Any) -> Vector:
    return np.array(effect_of(linear(adjuster=adjuster)))


def test_a_pitch_adjuster_turns_by_its_lever_and_moves_the_beam_by_its_distance() -> None:
    """s/L of turn, and D s/L at the hole [exact, small angles]."""
    found = effect(turns="pitch", lever_arm_mm=38, pivot_to_hole_mm=60)
    np.testing.assert_allclose(found, [0, 0, 60 / 38, 0, 1 / 38e-3], rtol=1e-12)
    found = effect(turns="yaw", lever_arm_mm=25, pivot_to_hole_mm=-10)
    np.testing.assert_allclose(found, [0, -10 / 25, 0, 1 / 25e-3, 0], rtol=1e-12)


def test_all_three_adjusters_together_turn_nothing_and_move_the_face() -> None:
    """A plane through three points that all advance by s advances by s everywhere."""
    common = {
        "lever_arm_mm": 38, "pivot_to_hole_mm": 60, "carries": "mirror", "incidence_deg": 45,
        "beam_from_corner_mm": [17, 12],
    }  # fmt: skip
    corner = effect(turns="corner", yaw_lever_arm_mm=30, **common)
    yaw = effect(turns="yaw", **{**common, "lever_arm_mm": 30})
    total = corner + yaw + effect(turns="pitch", **common)
    # a mirror at 45° that moves forward by h shifts the beam by √2 h
    np.testing.assert_allclose(total, [0, math.sqrt(2.0), 0, 0, 0], atol=1e-9)


def test_an_axis_that_counts_its_angle_needs_no_lever() -> None:
    axis = angular(adjuster={"turns": "yaw", "pivot_to_hole_mm": 80})
    np.testing.assert_allclose(effect_of(axis), [0, 0.08, 0, 1, 0], rtol=1e-12)
    mirror = {"turns": "pitch", "pivot_to_hole_mm": 80, "carries": "mirror", "incidence_deg": 30}
    axis = angular(adjuster=mirror)
    turn = 2.0 * math.cos(math.radians(30))
    np.testing.assert_allclose(effect_of(axis), [0, 0, 0.08 * turn, 0, turn], rtol=1e-12)


@pytest.mark.parametrize("angle", [0, 90, 30])
def test_a_slide_moves_the_beam_along_itself(angle: float) -> None:
    c, s = math.cos(math.radians(angle)), math.sin(math.radians(angle))
    found = effect_of(linear(slide={"angle_deg": angle}))
    np.testing.assert_allclose(found, [0, c, s, 0, 0], atol=1e-15)


def mirrored_beam(
    incidence: float, normal_tilt: tuple[float, float], advance: float, distance: float
) -> Vector:
    """x, y (m) and slopes at a plane ``distance`` behind a mirror that folds horizontally, by the
    law of reflection and nothing else. z is along the reflected beam of the untilted mirror, and
    the light comes from the side of +x, so that the beam moves to +x with an advancing face."""
    c, s = math.cos(incidence), math.sin(incidence)
    into_light = np.array([s, 0.0, c])  # normal of the mirror at rest, in axes of the leaving beam
    sideways, upward = np.array([c, 0.0, -s]), np.array([0.0, 1.0, 0.0])
    u = np.array([0.0, 0.0, 1.0]) - 2.0 * c * into_light
    n = into_light + normal_tilt[0] * sideways + normal_tilt[1] * upward
    n /= np.linalg.norm(n)
    # the face has moved to the plane through advance · normal at rest, at the beam's own place
    point = advance * into_light
    start = -u
    met = start + u * (np.dot(point - start, n) / np.dot(u, n))
    r = u - 2.0 * np.dot(u, n) * n
    at_plane = met + r * (distance - met[2]) / r[2]
    return np.array([at_plane[0], at_plane[1], r[0] / r[2], r[1] / r[2]])


@pytest.mark.parametrize("incidence_deg", [0.0, 20.0, 45.0])
@pytest.mark.parametrize("turns", ["pitch", "yaw", "corner"])
def test_a_steering_mirror_follows_the_law_of_reflection(incidence_deg: float, turns: str) -> None:
    arm_x, arm_y, beam_x, beam_y, distance, travel = 0.03, 0.038, 0.017, 0.012, 0.06, 1e-7
    turned = {
        "yaw": (1 / arm_x, 0.0),
        "pitch": (0.0, 1 / arm_y),
        "corner": (-1 / arm_x, -1 / arm_y),
    }
    lifted = {
        "yaw": beam_x / arm_x,
        "pitch": beam_y / arm_y,
        "corner": 1 - beam_x / arm_x - beam_y / arm_y,
    }
    incidence = math.radians(incidence_deg)
    ends = [
        mirrored_beam(
            incidence,
            (sign * travel * turned[turns][0], sign * travel * turned[turns][1]),
            sign * travel * lifted[turns],
            distance,
        )
        for sign in (1.0, -1.0)
    ]
    by_reflection = (ends[0] - ends[1]) / (2.0 * travel)
    arms = {"lever_arm_mm": 1e3 * (arm_x if turns == "yaw" else arm_y)}
    if turns == "corner":
        arms["yaw_lever_arm_mm"] = 1e3 * arm_x
    found = effect(
        turns=turns, pivot_to_hole_mm=1e3 * distance, carries="mirror", incidence_deg=incidence_deg,
        beam_from_corner_mm=[1e3 * beam_x, 1e3 * beam_y], **arms,
    )  # fmt: skip
    np.testing.assert_allclose(found[1:], by_reflection, rtol=1e-6, atol=1e-6)


def test_a_vertical_fold_is_the_horizontal_one_turned_over() -> None:
    common = {
        "lever_arm_mm": 38, "pivot_to_hole_mm": 60, "carries": "mirror", "incidence_deg": 45,
        "beam_from_corner_mm": [19, 19],
    }  # fmt: skip
    across = effect(turns="yaw", folds="horizontally", **common)
    upward = effect(turns="pitch", folds="vertically", **common)
    np.testing.assert_allclose(upward[[0, 2, 1, 4, 3]], across, rtol=1e-12)


Loaded = Callable[..., BenchDescription]


@pytest.fixture
def bench(tmp_path: Path) -> Loaded:
    def loaded(*changes: tuple[str, str]) -> BenchDescription:
        text = GOOD
        for old, new in changes:
            assert old in text
            text = text.replace(old, new, 1)
        file = tmp_path / "bench.yaml"
        file.write_text(text, "utf-8")
        return load(file)

    return loaded


OFF_PIVOT = (
    (PITCH, "    adjuster: {turns: pitch, pivot_to_hole_mm: 60, carries: mirror}\n"),
    (YAW, "    adjuster: {turns: yaw, pivot_to_hole_mm: 60}\n"),
)


def test_positions_and_settings_are_inverse_to_each_other(bench: Loaded) -> None:
    described = bench(*OFF_PIVOT)
    draw = np.random.default_rng(3)
    for _ in range(20):
        positions = {
            name: float(draw.uniform(axis.low, axis.high)) for name, axis in described.axes.items()
        }
        back = described.positions(described.setting(positions))
        assert back == pytest.approx(positions, abs=1e-12, rel=0)


def turned_in_hole(
    described: BenchDescription, positions: Mapping[str, float], slope_x: float, slope_y: float
) -> dict[str, float]:
    """Positions for other slopes of a beam that stays where it is in the hole."""
    here = described.setting(positions)
    return described.positions(replace(here, slope_x=slope_x, slope_y=slope_y))


def test_turning_in_the_hole_leaves_the_beam_where_it_was_and_comes_back(bench: Loaded) -> None:
    described = bench(*OFF_PIVOT)
    start = {"spacing": 0.02, "pitch": 1e-3, "yaw": -2e-3, "horizontal": 1e-4, "vertical": -2e-4}
    before = described.setting(start)
    turned = turned_in_hole(described, start, before.slope_x + 3e-3, before.slope_y - 4e-3)
    after = described.setting(turned)
    assert (after.spacing_m, after.x_m, after.y_m) == pytest.approx(
        (before.spacing_m, before.x_m, before.y_m), abs=1e-12, rel=0
    )
    assert after.slope_x - before.slope_x == pytest.approx(3e-3, abs=1e-12)
    assert after.slope_y - before.slope_y == pytest.approx(-4e-3, abs=1e-12)
    # the slides make up for the distance from pivot to hole: 60 mm times the change of slope
    assert turned["horizontal"] - start["horizontal"] == pytest.approx(-0.06 * 3e-3, abs=1e-12)
    assert turned["vertical"] - start["vertical"] == pytest.approx(0.06 * 4e-3, abs=1e-12)
    back = turned_in_hole(described, turned, before.slope_x, before.slope_y)
    assert back == pytest.approx(start, abs=1e-12, rel=0)


def three_screws(name: str, turns: str, channel: int) -> str:
    """An adjuster of a mirror mount at 45° that has three of them, 60 mm from the hole."""
    return f"""  {name}:
    device: motion
    channel: {channel}
    limits_mm: [-3, 3]
    speed_mm_per_s: 0.5
    acceleration_mm_per_s2: 2
    backlash_mm: 0.005
    repeatability_mm: 0.0005
    overnight_drift_mm: 0.001
    adjuster: {{turns: {turns}, lever_arm_mm: 38, pivot_to_hole_mm: 60, carries: mirror,
               incidence_deg: 45, beam_from_corner_mm: [19, 12]}}
"""


def test_the_third_adjuster_of_a_mount_keeps_the_beam_in_the_hole(bench: Loaded) -> None:
    """Pitch, yaw and corner of one mirror at 45°, and one vertical slide: four axes, none of which
    moves only one thing, for four coordinates of the input beam."""
    section = GOOD[GOOD.index("  pitch:\n") : GOOD.index("  vertical:\n")]
    screws = [
        three_screws(turns, turns, channel)
        for channel, turns in enumerate(("pitch", "yaw", "corner"), 2)
    ]
    described = bench((section, "".join(screws)))
    assert np.linalg.matrix_rank(described.effects) == 5
    draw = np.random.default_rng(5)
    start = {
        name: float(draw.uniform(0.3 * axis.low, 0.3 * axis.high))
        for name, axis in described.axes.items()
    }
    before = described.setting(start)
    assert described.positions(before) == pytest.approx(start, abs=1e-12, rel=0)
    turned = turned_in_hole(described, start, before.slope_x + 2e-3, before.slope_y - 1e-3)
    after = described.setting(turned)
    assert (after.x_m, after.y_m) == pytest.approx((before.x_m, before.y_m), abs=1e-12, rel=0)
    assert after.slope_x - before.slope_x == pytest.approx(2e-3, abs=1e-12)
    assert after.slope_y - before.slope_y == pytest.approx(-1e-3, abs=1e-12)
    # the face moves forward by h, which shifts the beam by √2 h, to undo 60 mm × 2 mrad
    x, y, arm = 0.019, 0.012, 0.038
    move = {name: turned[name] - start[name] for name in ("pitch", "yaw", "corner")}
    face = (
        move["yaw"] * x / arm + move["pitch"] * y / arm + move["corner"] * (1.0 - x / arm - y / arm)
    )
    assert math.sqrt(2.0) * face == pytest.approx(-0.06 * 2e-3, rel=1e-9)
    assert turned_in_hole(described, turned, before.slope_x, before.slope_y) == pytest.approx(
        start, abs=1e-12, rel=0
    )


def test_without_slides_a_pivot_off_the_hole_cannot_turn_in_it(bench: Loaded) -> None:
    horizontal = GOOD[GOOD.index("  horizontal:\n") : GOOD.index("  vertical:\n")]
    described = bench(*OFF_PIVOT, (horizontal, ""))
    before = described.setting({})
    with pytest.raises(UsageError, match="off in"):
        turned_in_hole(described, {}, before.slope_x + 1e-3, before.slope_y)


@pytest.mark.parametrize(
    ("new", "where", "cure"),
    [
        ("", "axes.yaw", "one of moves, adjuster; there is none"),
        (YAW + "    adjuster: {turns: yaw, pivot_to_hole_mm: 0}\n", "axes.yaw",
         "there is moves and adjuster"),
        ("    adjuster: {turns: roll, pivot_to_hole_mm: 0}\n", "axes.yaw.adjuster.turns",
         "'pitch', 'yaw'"),
        ("    adjuster: {turns: yaw}\n", "axes.yaw.adjuster.pivot_to_hole_mm", "number in mm"),
        ("    adjuster: {turns: yaw, pivot_to_hole_mm: 0, lever_arm_mm: 38}\n",
         "axes.yaw.adjuster.lever_arm_mm", "unknown key"),
        ("    adjuster: {turns: yaw, pivot_to_hole_mm: 0, incidence_deg: 45}\n",
         "axes.yaw.adjuster.incidence_deg", "carries: mirror"),
        ("    adjuster: {turns: yaw, pivot_to_hole_mm: 0, carries: mirror, incidence_deg: 90}\n",
         "axes.yaw.adjuster.incidence_deg", "less than 90"),
        ("    adjuster: {turns: yaw, pivot_to_hole_mm: 0, beam_from_corner_mm: [1]}\n",
         "axes.yaw.adjuster.beam_from_corner_mm", "write [x, y] in mm"),
        ("    adjuster: {turns: pitch, pivot_to_hole_mm: 0}\n", "axes.yaw.adjuster",
         "the same as pitch"),
        ("    slide: {angle_deg: 0}\n", "axes.yaw.slide", "unknown key"),
    ],
)  # fmt: skip
def test_a_faulty_description_is_refused_with_its_place(
    bench: Loaded, new: str, where: str, cure: str
) -> None:
    with pytest.raises(BenchFileError) as error:
        bench((YAW, new))
    lines = [line for line in str(error.value).splitlines() if f": {where}: " in line]
    assert len(lines) == 1
    assert cure in lines[0]


def test_linear_axes_may_be_slides_or_screws(bench: Loaded) -> None:
    described = bench(
        ("moves: {x: 1.0}", "slide: {angle_deg: 45}"), ("moves: {y: 1.0}", "slide: {angle_deg: 90}")
    )
    np.testing.assert_allclose(
        described.axes["horizontal"].effect, (0, math.sqrt(0.5), math.sqrt(0.5), 0, 0), atol=1e-15
    )
    with pytest.raises(BenchFileError, match="only a corner adjuster has a second lever arm"):
        bench((
            "moves: {y: 1.0}",
            "adjuster: {turns: pitch, lever_arm_mm: 30, yaw_lever_arm_mm: 20, pivot_to_hole_mm: 1}",
        ))  # fmt: skip

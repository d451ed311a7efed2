"""Which patterns a bench offers, in which order, and what it says of those it does not."""

from __future__ import annotations

import json
import math
from collections.abc import Callable

import pytest

from autocell.description import BenchDescription
from autocell.errors import NoSuchPattern, UsageError
from autocell.optics.reentrance import reentrant_circle
from autocell.patterns import (
    SHAPES,
    Shape,
    choose_pattern,
    closest_to_path,
    list_patterns,
    spacing_reach,
)

Bench = Callable[..., BenchDescription]

FAR_TILT = "    tilt_tolerance_mrad: 0.3\n  minimum_gap_mm"


def far_hole(hole: str = "{x_mm: 20, y_mm: 0, diameter_mm: 4, diameter_tolerance_mm: 0.05}"):
    return FAR_TILT, FAR_TILT.replace("\n", f"\n    hole: {hole}\n", 1)


def test_circles_have_the_slopes_of_the_exact_orbit(bench: Bench) -> None:
    described = bench()
    for pattern in list_patterns(described):
        orbit = reentrant_circle(pattern.passes, pattern.orbits, 0.5, 0.5, 0.02)
        setting = pattern.setting
        assert (setting.slope_x, setting.slope_y) == pytest.approx(
            (orbit.radial_slope, orbit.tangential_slope), abs=1e-15
        )
        assert pattern.shape == "circle"
        # F4 [exact]: gcd(k, N/2) = 1
        assert math.gcd(pattern.orbits, pattern.passes // 2) == 1
        # L = N d up to O(r⁴) (F8) [exact]
        assert pattern.path_length_m == pytest.approx(pattern.passes * setting.spacing_m, rel=2e-5)


def test_unequal_mirrors_have_their_own_orbits(bench: Bench) -> None:
    """cos 2θ = 2 g1 g2 − 1 (Kogelnik & Li, Appl. Opt. 5, 1550 (1966) [mem]) gives the plateaus'
    places to within r²/R, and the exact circle gives their slopes."""
    described = bench(("  far_mirror:\n    radius_mm: 500", "  far_mirror:\n    radius_mm: 420"))
    found = [pattern for pattern in list_patterns(described) if not pattern.rejected]
    assert len(found) > 5
    for pattern in found:
        d = pattern.setting.spacing_m
        g1g2 = (1.0 - d / 0.5) * (1.0 - d / 0.42)
        theta = 2.0 * math.pi * pattern.orbits / pattern.passes
        # dθ/dd is about 2/R here, the shift up to r²/R, and the plateau a hole over N r wide
        slack = 2.0 / 0.42 * (0.02**2 / 0.42 + 0.5 * pattern.plateau_width_m)
        assert 0.5 * math.acos(2.0 * g1g2 - 1.0) == pytest.approx(theta, abs=slack)
        orbit = reentrant_circle(pattern.passes, pattern.orbits, 0.5, 0.42, 0.02)
        assert pattern.setting.slope_y == pytest.approx(orbit.tangential_slope, abs=1e-15)


def test_the_default_choice_for_sixty_two_passes_is_the_circle(bench: Bench) -> None:
    pattern = choose_pattern(bench(), 62)
    assert (pattern.passes, pattern.orbits, pattern.shape) == (62, 10, "circle")
    assert not pattern.rejected
    assert pattern == next(p for p in list_patterns(bench()) if p.passes == 62)


def test_those_that_may_be_used_come_first_and_by_margin(bench: Bench) -> None:
    found = list_patterns(bench())
    order = [(bool(pattern.rejected), -pattern.margin_drifts) for pattern in found]
    assert order == sorted(order)
    assert order[0][0] is False
    assert order[-1][0] is True


def test_the_hole_may_be_anywhere_around_the_axis(bench: Bench) -> None:
    """A cell of spherical mirrors has no preferred azimuth: turned by 90°, the same pattern."""
    turned = bench(
        ("hole: {x_mm: 20, y_mm: 0,", "hole: {x_mm: 0, y_mm: 20,"),
        ("  x_mm: 20\n  y_mm: 0\n", "  x_mm: 0\n  y_mm: 20\n"),
        ("  slope_x_mrad: -40\n  slope_y_mrad: 70\n", "  slope_x_mrad: -70\n  slope_y_mrad: -40\n"),
    )
    one, other = choose_pattern(bench(), 38), choose_pattern(turned, 38)
    assert other.setting.slope_x == pytest.approx(-one.setting.slope_y, abs=1e-15)
    assert other.setting.slope_y == pytest.approx(one.setting.slope_x, abs=1e-15)
    assert other.setting.spacing_m == pytest.approx(one.setting.spacing_m, abs=1e-9)
    assert other.plateau_width_m == pytest.approx(one.plateau_width_m, abs=1e-9)


def test_of_two_senses_of_rotation_it_takes_the_one_the_axes_reach(bench: Bench) -> None:
    back = bench(("slope_y_mrad: 70", "slope_y_mrad: -70"))
    assert choose_pattern(back, 62).setting.slope_y == pytest.approx(
        -choose_pattern(bench(), 62).setting.slope_y, abs=1e-15
    )


def test_odd_counts_leave_through_a_hole_in_the_far_mirror(bench: Bench) -> None:
    """F4 [exact]: odd N leaves through M2. With N odd, gcd(k, N) = 1, R^(N−1) is left (F16)."""
    through = bench(far_hole())
    found = list_patterns(through)
    assert all(pattern.passes % 2 == 1 for pattern in found)
    usable = [pattern for pattern in found if not pattern.rejected]
    assert {13, 25, 37} <= {pattern.passes for pattern in usable}
    for pattern in usable:
        assert math.gcd(pattern.orbits, pattern.passes) == 1
        assert pattern.throughput == pytest.approx(0.985 ** (pattern.passes - 1), rel=0.005)
        assert pattern.path_length_m == pytest.approx(
            pattern.passes * pattern.setting.spacing_m, rel=5e-5
        )
    # a spot that comes near to either hole counts
    assert {True} == {bool(p.rejected) for p in found if p.clearance_beam_radii < 2.5}


def test_the_exit_hole_may_lie_at_any_azimuth_from_the_entrance(bench: Bench) -> None:
    """N θ = 2πk + φ [exact]; straight opposite, φ = π, both senses of rotation are one, and
    35 passes have θ = 11π/35: d = 2R − (1 + cos θ) √(R² − r²)."""
    opposite = bench(far_hole("{x_mm: -20, y_mm: 0, diameter_mm: 4, diameter_tolerance_mm: 0.05}"))
    found = choose_pattern(opposite, 35)
    exact_m = 1.0 - (1.0 + math.cos(11.0 * math.pi / 35.0)) * math.sqrt(0.5**2 - 0.02**2)
    assert found.setting.spacing_m == pytest.approx(exact_m, abs=0.2 * found.plateau_width_m)
    assert 1e3 * found.setting.slope_x == pytest.approx(-40.03, abs=0.01)
    assert 1e3 * found.setting.slope_y == pytest.approx(74.39, abs=0.01)
    assert found.clearance_beam_radii == pytest.approx(4.15, abs=0.05)
    assert found.throughput == pytest.approx(0.985**34, rel=0.005)


def test_around_the_axis_each_sense_of_rotation_has_its_own_patterns(bench: Bench) -> None:
    """The light that leaves at φ one way round leaves at −φ the other way [exact]."""
    hole = "{{x_mm: 14.142135623731, y_mm: {}, diameter_mm: 4, diameter_tolerance_mm: 0.05}}"
    back = ("slope_y_mrad: 70", "slope_y_mrad: -70")
    along = {
        (p.passes, p.orbits): p
        for p in list_patterns(bench(far_hole(hole.format(14.142135623731))))
    }
    against = {
        (p.passes, p.orbits): p
        for p in list_patterns(bench(far_hole(hole.format(-14.142135623731)), back))
    }
    usable = [key for key, p in along.items() if not p.rejected]
    assert len(usable) > 3
    for passes, orbits in usable:
        one, other = along[passes, orbits], against[passes, orbits]
        assert other.setting.spacing_m == pytest.approx(one.setting.spacing_m, abs=1e-9)
        assert other.setting.slope_y == pytest.approx(-one.setting.slope_y, abs=1e-15)
        assert one.throughput == pytest.approx(0.985 ** (passes - 1), rel=0.005)


def test_an_impossible_count_says_why_and_what_comes_nearest(bench: Bench) -> None:
    plain = bench()
    for passes, why in (
        (61, "which has no hole.*Nearest that can: 56, 58, 62, 66"),
        (10, "no re-entrant spacing"),
        (90, r"clears it by 1\.\d beam radii, 2\.5 are wanted"),
    ):
        with pytest.raises(NoSuchPattern, match=why):
            choose_pattern(plain, passes)
    with pytest.raises(NoSuchPattern, match="even number leaves through the entrance mirror"):
        choose_pattern(bench(far_hole()), 62)
    both = bench(far_hole(), ("  minimum_gap_mm", "  exit_mirror: entrance\n  minimum_gap_mm"))
    with pytest.raises(NoSuchPattern, match="exit_mirror is the entrance"):
        choose_pattern(both, 61)
    with pytest.raises(UsageError, match="a pattern has 2 to 1000"):
        choose_pattern(plain, 1)
    with pytest.raises(UsageError, match="a pattern has 2 to 1000"):
        choose_pattern(plain, 1001)


def test_a_wide_circle_is_sought_where_its_exact_orbit_lies(bench: Bench) -> None:
    """On a circle of 60 mm, 20 passes and 3 turns are at 2R − (1 + cos θ) √(R² − r²) [exact]:
    11 mm above the paraxial R (1 − cos θ), which is beyond the reach of the stage."""
    wide = bench(
        ("clear_aperture_mm: 48 ", "clear_aperture_mm: 160 "),
        ("clear_aperture_mm: 48\n", "clear_aperture_mm: 160\n"),
        ("hole: {x_mm: 20,", "hole: {x_mm: 60,"),
        ("  x_mm: 20\n", "  x_mm: 60\n"),
        ("slope_x_mrad: -40", "slope_x_mrad: -120"),
        ("slope_y_mrad: 70", "slope_y_mrad: 210"),
    )
    theta = 2.0 * math.pi * 3 / 20
    exact_m = 1.0 - (1.0 + math.cos(theta)) * math.sqrt(0.5**2 - 0.06**2)
    low, high = spacing_reach(wide)
    assert 0.5 * (1.0 - math.cos(theta)) < low - 3e-3 < low < exact_m < high
    (found,) = [p for p in list_patterns(wide, passes=20) if p.orbits == 3]
    assert found.low_m < exact_m < found.high_m
    # and what is listed is within reach by its exact spacing, or next to it
    for pattern in list_patterns(wide):
        theta = 2.0 * math.pi * pattern.orbits / pattern.passes
        spacing_m = 1.0 - (1.0 + math.cos(theta)) * math.sqrt(0.5**2 - 0.06**2)
        assert low - 3e-3 < spacing_m < high + 3e-3


def test_a_pattern_whose_light_misses_the_detector_is_listed_with_the_reason(bench: Bench) -> None:
    detector = "detector: {diameter_mm: 10, distance_mm: 100, x_mm: 0, y_mm: 0}\ncaps:"
    beside = bench(("caps:", detector))
    (pattern,) = list_patterns(beside, passes=62)
    assert not pattern.throughput
    with pytest.raises(NoSuchPattern, match=r"at 236\.1 mm its light does not reach the detector"):
        choose_pattern(beside, 62)


def test_throughput_is_before_the_window_as_that_of_a_run_is(bench: Bench) -> None:
    """The window counts where throughput becomes watts."""
    line = "  minimum_gap_mm"
    dim = bench((line, f"  window_transmission: 0.5\n{line}"))
    (plain,), (windowed,) = list_patterns(bench(), passes=62), list_patterns(dim, passes=62)
    assert windowed.throughput == pytest.approx(plain.throughput, rel=1e-12)
    assert windowed.throughput == pytest.approx(0.985**61, rel=0.005)
    assert dim.lossless_reading_w == pytest.approx(0.5 * bench().lossless_reading_w)


def test_a_second_hole_that_is_not_the_exit_must_be_cleared_too(bench: Bench) -> None:
    leaky = bench(
        far_hole("{x_mm: -20, y_mm: 0, diameter_mm: 4, diameter_tolerance_mm: 0.05}"),
        ("  minimum_gap_mm", "  exit_mirror: entrance\n  minimum_gap_mm"),
    )
    # with N/2 odd a spot of M2 lies straight opposite the entrance
    assert choose_pattern(bench(), 62).clearance_beam_radii > 2.5
    with pytest.raises(NoSuchPattern, match="clears it by -"):
        choose_pattern(leaky, 62)


def test_rejections_name_what_stands_in_the_way(bench: Bench) -> None:
    tight = bench(("clear_aperture_mm: 48\n", "clear_aperture_mm: 41\n"))  # of the far mirror
    (why,) = next(p for p in list_patterns(tight, passes=62)).rejected
    assert "the outermost spot is" in why
    assert "inside the clear aperture" in why
    short = bench(("limits_mm: [0, 50]", "limits_mm: [0, 25]"))
    (why,) = next(p for p in list_patterns(short, passes=62)).rejected
    assert "beyond the reach of the stage, 210.02 to 235.00 mm" in why
    stiff = bench(("limits_mrad: [-15, 15]", "limits_mrad: [-1, 1]"))
    (why,) = next(p for p in list_patterns(stiff, passes=62)).rejected
    assert "pitch would have to stand at 2.12 mrad, its limits are -1.00 and 1.00" in why


def test_a_pattern_that_one_night_may_lose_is_rejected(bench: Bench) -> None:
    shaky = bench(("overnight_drift_mm: 0.006", "overnight_drift_mm: 0.8"))
    (pattern,) = list_patterns(shaky, passes=62)
    assert pattern.limited_by == "spacing"
    assert pattern.margin_drifts == pytest.approx(0.675 / 0.8, rel=0.01)
    (why,) = pattern.rejected
    assert "one night's drift of spacing" in why


def test_margins_count_in_drifts_of_the_axis_that_has_least(bench: Bench) -> None:
    (plain,) = list_patterns(bench(), passes=62)
    # the setting is in the middle of the plateau, and the stage drifts 6 µm in a night
    assert plain.limited_by == "spacing"
    assert plain.margin_drifts == pytest.approx(0.5 * plain.plateau_width_m / 6e-6, rel=0.01)
    (pitching,) = list_patterns(
        bench(("overnight_drift_mrad: 0.02", "overnight_drift_mrad: 2")), passes=62
    )
    assert pitching.limited_by in ("pitch", "yaw")
    assert pitching.margin_drifts < plain.margin_drifts
    still = bench(*[(f"overnight_drift_{u}: {v}", f"overnight_drift_{u}: 0") for u, v in
                    (("mm", "0.006"), ("mm", "0.005"), ("mrad", "0.02"))])  # fmt: skip
    (steady,) = list_patterns(still, passes=62)
    assert (steady.margin_drifts, steady.limited_by) == (math.inf, "none")
    assert steady.as_json()["margin_drifts"] is None


def test_a_wanted_path_puts_the_closest_usable_first(bench: Bench) -> None:
    found = closest_to_path(list_patterns(bench()), 12.0)
    usable = [pattern for pattern in found if not pattern.rejected]
    assert found[: len(usable)] == usable
    off = [abs(pattern.path_length_m - 12.0) for pattern in usable]
    assert off == sorted(off)


def test_the_reach_is_that_of_stage_and_gap(bench: Bench) -> None:
    # the approach from below takes 1.5 times the backlash and three times the scatter: 18 µm
    assert spacing_reach(bench()) == pytest.approx((0.210018, 0.259999), abs=1e-9)
    # the true gap may be a spacing tolerance of 1 mm smaller than the nominal one
    raised = bench(("minimum_gap_mm: 195", "minimum_gap_mm: 222"))
    assert spacing_reach(raised) == pytest.approx((0.223018, 0.259999), abs=1e-9)


def strict(values: object) -> str:
    """JSON as RFC 8259 has it: no NaN, no Infinity."""
    return json.dumps(values, allow_nan=False)


WIDE_AXES = ("limits_mrad: [-15, 15]", "limits_mrad: [-900, 900]")


@pytest.mark.parametrize("shape", [None, "line", "circle"])
def test_light_that_misses_the_mirrors_altogether_has_no_path(
    bench: Bench, shape: Shape | None
) -> None:
    """On a circle of 400 mm on mirrors of 500 mm radius rays pass the far mirror by."""
    steep = bench(
        WIDE_AXES,
        ("clear_aperture_mm: 48 ", "clear_aperture_mm: 990 "),
        ("clear_aperture_mm: 48\n", "clear_aperture_mm: 990\n"),
        ("hole: {x_mm: 20,", "hole: {x_mm: 400,"),
        ("  x_mm: 20\n", "  x_mm: 400\n"),
    )
    found = closest_to_path(list_patterns(steep, shape=shape, max_passes=24), 3.0)
    assert all(pattern.rejected for pattern in found)
    for pattern in found:
        strict(pattern.as_json())
    lost = [math.isnan(pattern.path_length_m) for pattern in found]
    assert lost == sorted(lost)  # at the end, whatever path was wished for
    if shape == "line":
        assert any(lost)
        assert found[-1].as_json()["path_length_m"] is None


@pytest.mark.parametrize("shape", [None, *SHAPES])
def test_a_hole_on_the_axis_has_no_pattern_and_says_why(bench: Bench, shape: Shape | None) -> None:
    """The light is back on the axis after two passes [exact]."""
    middle = bench(
        WIDE_AXES, ("hole: {x_mm: 20,", "hole: {x_mm: 0,"), ("  x_mm: 20\n", "  x_mm: 0\n")
    )
    found = list_patterns(middle, shape=shape, max_passes=40)
    assert found
    for pattern in found:
        assert "it leaves by another hole or earlier" in pattern.rejected[0]
        strict(pattern.as_json())

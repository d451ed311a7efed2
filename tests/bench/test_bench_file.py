"""A bench file either loads in SI units or is refused with every fault, its line and the cure."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import yaml

from autocell.bench.file import load, shipped
from autocell.bench.yaml_tree import parse
from autocell.errors import BenchFileError, UsageError

GOOD = shipped("peat-bog").read_text("utf-8")
Refusal = Callable[..., list[str]]


@pytest.fixture
def refusal(tmp_path: Path) -> Refusal:
    """Write the good file with some text replaced; the lines of the error that loading it gives."""

    def refused(*changes: tuple[str, str]) -> list[str]:
        text = GOOD
        for old, new in changes:
            assert old in text
            text = text.replace(old, new, 1)
        file = tmp_path / "bench.yaml"
        file.write_text(text, "utf-8")
        with pytest.raises(BenchFileError) as error:
            load(file)
        return str(error.value).replace(str(file), "bench.yaml").splitlines()

    return refused


def line_of(text: str) -> int:
    """The line of the good file in which ``text`` first stands."""
    return GOOD[: GOOD.index(text)].count("\n") + 1


def configurations() -> list[Path]:
    """The bench files that come along: those with the section of a cell."""
    files = shipped("peat-bog").parent.glob("*.yaml")
    return [file for file in files if "cell" in (yaml.safe_load(file.read_text("utf-8")) or {})]


@pytest.mark.parametrize("path", configurations(), ids=lambda path: str(path.stem))
def test_every_shipped_bench_file_loads(path: Path) -> None:
    assert load(path).path == path


def test_values_arrive_in_si_units() -> None:
    bench = load(shipped("peat-bog"))
    assert bench.laser.wavelength_m == pytest.approx(1654e-9)
    assert bench.laser.power_tolerance == pytest.approx(0.05)
    assert bench.entrance_mirror.radius_tolerance_m == pytest.approx(0.002)
    assert bench.far_mirror.aperture_radius_m == pytest.approx(0.024)
    assert bench.entrance_hole.radius_m == pytest.approx(0.002)
    assert bench.entrance_hole.radius_tolerance_m == pytest.approx(25e-6)
    assert bench.input_beam.slope_x == pytest.approx(-0.04)
    assert bench.meter.noise_floor_w == pytest.approx(0.5e-6)
    assert bench.caps.time_s == pytest.approx(1800.0)
    assert bench.caps.travel_m == pytest.approx(0.4)
    pitch = bench.axes["pitch"]
    assert pitch.unit == "mrad"
    assert (pitch.low, pitch.high) == pytest.approx((-0.015, 0.015))
    assert pitch.acceleration == pytest.approx(0.05)
    assert pitch.backlash == pytest.approx(0.00015)


def test_axis_effects_keep_their_value_in_si_and_their_order(tmp_path: Path) -> None:
    file = tmp_path / "bench.yaml"
    text = GOOD.replace("y_mm_per_mrad: 0.0", "y_mm_per_mrad: 0.3")
    file.write_text(text.replace("{x: 1.0}", "{x: 1.0, slope_x_mrad_per_mm: -0.2}"), "utf-8")
    bench = load(file)
    assert list(bench.axes) == ["spacing", "pitch", "yaw", "horizontal", "vertical"]
    np.testing.assert_allclose(bench.axes["pitch"].effect, (0, 0, 0.3, 0, 1))
    np.testing.assert_allclose(bench.axes["horizontal"].effect, (0, 1, 0, -0.2, 0))
    np.testing.assert_allclose(bench.axes["spacing"].effect, (1, 0, 0, 0, 0))
    setting = bench.setting({"spacing": 0.01, "pitch": 0.002})
    assert setting.spacing_m == pytest.approx(bench.spacing_at_zero_m + 0.01)
    assert setting.y_m == pytest.approx(0.0006)
    assert bench.positions(setting)["pitch"] == pytest.approx(0.002)


@pytest.mark.parametrize(
    ("old", "new", "where", "cure"),
    [
        ("limits_mm: [0, 50]", "limits_um: [0, 50]", "axes.spacing.limits_um", "write limits_mm"),
        ("limits_mm: [0, 50]", "limits_mm: [50, 0]", "axes.spacing.limits_mm", "write [0, 50]"),
        ("limits_mm: [0, 50]", "limits_mm: [9, 9]", "axes.spacing.limits_mm", "equal, both 9 mm"),
        ("limits_mm: [0, 50]", "limits_mm: [50]", "axes.spacing.limits_mm", "[low, high] in mm"),
        ("limits_mm: [0, 50]", "limits_mm: null", "axes.spacing.limits_mm", "[low, high] in mm"),
        ("limits_mm: [0, 50]", "limits_mm: [0, .inf]", "axes.spacing.limits_mm[1]", "finite"),
        ("limits_mm: [0, 50]", "limits: [0, 50]", "axes.spacing.limits", "unit is missing"),
        ("limits_mrad: [-15", "limits_deg: [-15", "axes.pitch.limits_deg", "write limits_mrad"),
        ("limits_mm: [0, 50]", "limits_mm: [0, 795]", "axes.spacing.limits_mm", "1000 mm"),
        ("backlash_mm: 0.01 ", "backlash_mm: 25 ", "axes.spacing.backlash_mm", "no travel"),
        ("spacing_tolerance_mm: 1.0", "spacing_tolerance_mm: -1",
         "axes.spacing.spacing_tolerance_mm", "not be less than 0"),
        ("speed_mm_per_s: 5", "speed_um_per_s: 5", "axes.spacing.speed_um_per_s",
         "write speed_mm_per_s, with the value in mm/s"),
        ("speed_mm_per_s: 5", "sped_mm_per_s: 5", "axes.spacing.sped_mm_per_s",
         "did you mean speed_mm_per_s?"),
        ("radius_mm: 500", "radius_mm: 50 in", "cell.entrance_mirror.radius_mm",
         "write a plain number in mm; the unit is in the key"),
        ("radius_mm: 500", "radius_mm: '500'", "cell.entrance_mirror.radius_mm", "plain number"),
        ("radius_mm: 500", "radius_mm: true", "cell.entrance_mirror.radius_mm", "plain number"),
        ("radius_mm: 500", "radius_in: 20", "cell.entrance_mirror.radius_in", "write radius_mm"),
        ("reflectivity: 0.985", "reflectivity: 98.5", "cell.entrance_mirror.reflectivity",
         "less than 1"),
        ("reflectivity: 0.985", "reflectivity: 1.0", "cell.entrance_mirror.reflectivity",
         "less than 1"),
        ("reflectivity: 0.985", "reflectivity: 0", "cell.entrance_mirror.reflectivity",
         "more than 0"),
        ("  class: 3B", "  class: 3b", "laser.class", "'3B'"),
        ("wavelength_nm: 1654", "wavelength_um: 1.654", "laser.wavelength_um",
         "write wavelength_nm"),
        ("hole: {x_mm: 20", "hole: {x_mm: 23", "cell.entrance_mirror.hole", "cut by the edge"),
        ("hole: {x_mm: 20", "hole: {x_mm: 30", "cell.entrance_mirror.hole", "outside the clear"),
        ("minimum_gap_mm: 195", "minimum_gap_mm: 260", "cell.minimum_gap_mm", "a gap below 260"),
        ("device: meter", "device: metre", "power_meter.device", "known: motion, meter"),
        ("channel: 2", "channel: 1", "axes.pitch.channel", "already drives the axis spacing"),
        ("channel: 2", "direction: 2\n    channel: 2", "axes.pitch.direction", "not one of 1, -1"),
        ("channel: 2", "channel: 1.5", "axes.pitch.channel", "whole number"),
        ("moves: {y: 1.0}", "moves: {x: 2.0}", "axes.vertical.moves", "the same as horizontal"),
        ("moves: {y: 1.0}", "moves: {y: 0}", "axes.vertical.moves", "moves nothing"),
        ("moves: {y: 1.0}", "moves: {y_mm_per_mrad: 1}", "axes.vertical.moves.y_mm_per_mrad",
         "write y"),
        ("  moves: 300", "  moves: 1.5", "caps.moves", "whole number"),
        ("  time_min: 30", "  time_min: 0", "caps.time_min", "more than 0"),
        ("caps:", "recovery: {look_again_s: 3601}\ncaps:", "recovery.look_again_s", "3600"),
        ("relative_noise: 0.003", "relative_noise: .nan", "power_meter.relative_noise", "finite"),
        ("averaging_ms: 50", "averaging_ms: -5", "power_meter.averaging_ms", "more than 0"),
        ("ask: \"SENS:POW:WAV?\"", "asks: \"SENS:POW:WAV?\"", "power_meter.settings[0].asks",
         "did you mean ask?"),
        ("shutter:", "shuter:", "shuter", "did you mean shutter?"),
        ("pilot_beam: visible red, class 2", "pilot_beam: ''", "laser.pilot_beam", "not text"),
        ("power_mw: 8", "power_mw: 1" + "0" * 400, "laser.power_mw", "plain number in mW"),
    ],
)  # fmt: skip
def test_a_fault_is_named_with_line_path_and_cure(
    refusal: Refusal, old: str, new: str, where: str, cure: str
) -> None:
    (error,) = refusal((old, new))
    assert error.startswith(f"bench.yaml:{line_of(old)}: {where}: ")
    assert cure in error


@pytest.mark.parametrize(
    ("removed", "section", "path", "right"),
    [
        ("    limits_mm: [0, 50]\n", "  spacing:", "axes.spacing.limits_mm", "[low, high] in mm"),
        ("  wavelength_nm: 1654\n", "laser:", "laser.wavelength_nm", "plain number in nm"),
        ("    driver: ascii-motion\n", "  motion:", "devices.motion.driver", "with a value"),
    ],
)
def test_a_missing_key_is_reported_at_its_section(
    refusal: Refusal, removed: str, section: str, path: str, right: str
) -> None:
    (error,) = refusal((removed, ""))
    assert error.startswith(f"bench.yaml:{line_of(section)}: {path}: missing; ")
    assert right in error


def test_a_misspelt_driver_key_is_offered_for_the_missing_one(refusal: Refusal) -> None:
    (error,) = refusal(("driver: scpi", "drivr: scpi"))
    assert "devices.meter.driver: missing; is drivr meant to be driver?" in error


@pytest.mark.parametrize("laser_class", ["3R", "3B", "4"])
def test_a_harmful_laser_needs_its_caution_acknowledged(refusal: Refusal, laser_class: str) -> None:
    (error,) = refusal(
        ("class: 3B", f"class: {laser_class}"),
        ("caution_acknowledged: true", "caution_acknowledged: false"),
    )
    assert error.startswith(f"bench.yaml:{line_of('class: 3B')}: laser.class: ")
    for words in ("IEC 60825-1", "Cautions", "local rules", "laser safety officer, who decides"):
        assert words in error


def test_a_cell_is_refused_between_unequal_radii(refusal: Refusal) -> None:
    """g1 g2 < 0 for R1 < d < R2: Kogelnik & Li, Appl. Opt. 5, 1550 (1966) [mem]."""
    (error,) = refusal(("radius_mm: 500", "radius_mm: 220"))
    assert error.startswith(f"bench.yaml:{line_of('limits_mm: [0, 50]')}: axes.spacing.limits_mm:")
    assert "220 to 500 mm" in error


def test_a_bench_without_a_spacing_axis_is_refused(refusal: Refusal) -> None:
    errors = refusal(("  spacing:\n", "  stage:\n"))
    assert errors[0].startswith(f"bench.yaml:{line_of('axes:')}: axes: there is no spacing axis")


def test_dependent_effects_of_three_axes_are_refused(refusal: Refusal) -> None:
    (error,) = refusal(
        ("moves: {y: 1.0}", "moves: {x: 1.0, slope_x_mrad_per_mm: 1.0}"),
    )
    assert "only 3 independent effects" in error


def test_all_faults_of_a_file_come_at_once_in_the_order_of_its_lines(refusal: Refusal) -> None:
    errors = refusal(
        ("wavelength_nm: 1654", "wavelength_um: 1.654"),
        ("hole: {x_mm: 20", "hole: {x_mm: 30"),
        ("limits_mm: [0, 50]", "limits_mm: [50, 0]"),
        ("device: meter", "device: metre"),
        ("  moves: 300", "  moves: many"),
    )
    lines = [int(error.split(":")[1]) for error in errors]
    assert len(errors) == 5
    assert lines == sorted(lines)


def test_a_key_that_stands_twice_is_refused(refusal: Refusal) -> None:
    (error,) = refusal(("  averaging_ms: 50\n", "  averaging_ms: 50\n  averaging_ms: 60\n"))
    first = line_of("  averaging_ms: 50")
    assert error.startswith(f"bench.yaml:{first + 1}: power_meter.averaging_ms: ")
    assert f"first in line {first}" in error


@pytest.mark.parametrize(
    ("old", "new", "problem"),
    [
        ("bench: methane", "bench: [methane", "not valid YAML"),
        ("address: /dev", "address: !!python/name:os.system /dev", "not valid YAML"),
        ("power_mw: 8", "power_mw: &a {b: *a}", "alias that contains itself"),
    ],
)
def test_what_is_no_plain_yaml_is_refused_with_its_line(
    refusal: Refusal, old: str, new: str, problem: str
) -> None:
    (error,) = refusal((old, new))
    assert error.startswith("bench.yaml:")
    assert problem in error


def test_a_file_that_is_not_there_or_not_text_is_refused(tmp_path: Path) -> None:
    with pytest.raises(BenchFileError, match="no such bench file"):
        load(tmp_path / "none.yaml")
    binary = tmp_path / "binary.yaml"
    binary.write_bytes(b"bench: a\nlaser: \xff\xfe\n")
    with pytest.raises(BenchFileError, match=r"binary\.yaml:2: not UTF-8"):
        load(binary)
    empty = tmp_path / "empty.yaml"
    empty.write_text("")
    with pytest.raises(BenchFileError, match="not a bench file"):
        load(empty)


def test_an_unknown_configuration_names_those_that_exist() -> None:
    with pytest.raises(UsageError, match="peat-bog"):
        shipped("no-such-bench")


@pytest.mark.parametrize(
    ("text", "value"),
    [("1e-3", 0.001), ("010", 10), ("on", "on"), ("10:30", "10:30"), ("~", None), ("-.5", -0.5)],
)
def test_scalars_follow_the_core_schema_of_yaml_1_2(text: str, value: object) -> None:
    """YAML 1.2.2, section 10.3.2 "Tag Resolution"."""
    assert parse(f"key: {text}").values == {"key": value}


OPEN_LOOP = "    backlash_mrad: 0.15\n    open_loop: {step_urad: 0.5"


def test_steps_of_an_open_loop_axis_have_tolerances_of_their_own(tmp_path: Path) -> None:
    file = tmp_path / "bench.yaml"
    text = GOOD.replace("    backlash_mrad: 0.15", OPEN_LOOP + "}", 1)
    text = text.replace(
        "    backlash_mm: 0.005",
        "    backlash_mm: 0\n    open_loop: {step_um: 0.1, gain_tolerance_percent: 30, "
        "scatter_percent: 4, dead_steps: 12}",
        1,
    )
    file.write_text(text, "utf-8")
    bench = load(file)
    steps = bench.axes["pitch"].open_loop
    assert steps is not None
    assert steps.step == pytest.approx(0.5e-6)
    assert (steps.gain_tolerance, steps.scatter, steps.dead_steps) == pytest.approx((0.2, 0.05, 5))
    assert (steps.backward, steps.backward_u) == pytest.approx((1.0, 0.2 * np.sqrt(2 / 3)))
    steps = bench.axes["horizontal"].open_loop
    assert steps is not None
    assert steps.step == pytest.approx(1e-7)
    assert (steps.gain_tolerance, steps.scatter, steps.dead_steps) == pytest.approx((0.3, 0.04, 6))
    assert bench.axes["yaw"].open_loop is None


@pytest.mark.parametrize(
    ("section", "key", "cure"),
    [
        ("}", "", ""),
        (", gain_tolerance_percent: 60}", ".gain_tolerance_percent", "less than or equal to 40"),
        (", gain_tolerance_percent: 0}", ".gain_tolerance_percent", "0 must be more than 0"),
        (", dead_steps: -1}", ".dead_steps", "-1 must not be less than 0"),
        (", step_um: 0.1}", ".step_um", "unknown key"),
        (", backwards: 0.8}", ".backwards", "unknown key; known here: gain_tolerance_percent"),
    ],
)
def test_impossible_steps_are_refused_where_they_stand(
    refusal: Refusal, section: str, key: str, cure: str
) -> None:
    line = line_of("backlash_mrad: 0.15") + 1
    if not key:
        change = (OPEN_LOOP + section).replace("step_urad: 0.5", "step_urad: 50")
        (told,) = refusal(("    backlash_mrad: 0.15", change))
        key, cure = ".step_urad", "write a repeatability_mrad of at least 0.025"
    else:
        told, *_ = refusal(("    backlash_mrad: 0.15", OPEN_LOOP + section))
    assert told.startswith(f"bench.yaml:{line}: axes.pitch.open_loop{key}: ")
    assert cure in told

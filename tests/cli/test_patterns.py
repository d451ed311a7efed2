"""The list of patterns, for people and for machines."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import pytest

from autocell.bench.file import shipped
from autocell.cli.main import main

Printed = pytest.CaptureFixture[str]


def listed(capsys: Printed, *options: str) -> list[dict[str, Any]]:
    assert main(["patterns", "--bench", "peat-bog", "--json", *options]) == 0
    found: list[dict[str, Any]] = json.loads(capsys.readouterr().out, parse_constant=refuse)
    return found


def refuse(word: str) -> None:
    """NaN and Infinity are Python's words, not JSON's (RFC 8259)."""
    raise AssertionError(f"{word} is no JSON")


def test_the_contract_for_machines(capsys: Printed) -> None:
    found = listed(capsys)
    assert {"passes", "orbits", "spacing_m", "path_length_m", "throughput"} <= set(found[0])
    assert {"clearance_beam_radii", "plateau_width_m"} <= set(found[0])
    assert {62, 38, 26, 6} <= {pattern["passes"] for pattern in found}
    assert all(pattern["rejected"] == [] for pattern in found)


def test_listed_patterns_are_re_entrant_and_lossy_as_their_passes(capsys: Printed) -> None:
    """cos θ = 1 − d/R with θ = 2πk/N (Herriott, Kogelnik & Kompfner, Appl. Opt. 3, 523 (1964),
    from memory), the exact circle within (1 + cos θ) r²/2R of it; throughput R^(N−1)."""
    radius_m, hole_m, reflectivity = 0.5, 0.02, 0.985
    for pattern in listed(capsys):
        advance = 2.0 * math.pi * pattern["orbits"] / pattern["passes"]
        paraxial_m = radius_m * (1.0 - math.cos(advance))
        shift_m = (1.0 + math.cos(advance)) * hole_m**2 / (2.0 * radius_m)
        # the middle of a plateau is not its re-entrant spacing: the ends differ in how they clip
        assert pattern["spacing_m"] == pytest.approx(
            paraxial_m + shift_m, abs=0.2 * pattern["plateau_width_m"]
        )
        assert pattern["throughput"] == pytest.approx(
            reflectivity ** (pattern["passes"] - 1), rel=0.005
        )
        assert pattern["path_length_m"] == pytest.approx(
            pattern["passes"] * pattern["spacing_m"], rel=1e-3
        )


def test_those_with_most_margin_come_first(capsys: Printed) -> None:
    margins = [pattern["margin_drifts"] for pattern in listed(capsys)]
    assert margins == sorted(margins, reverse=True)


def test_spots_lie_on_a_circle_unless_another_shape_is_asked_for(capsys: Printed) -> None:
    assert {pattern["shape"] for pattern in listed(capsys)} == {"circle"}
    (circle,) = listed(capsys, "--passes", "26")
    (free,) = listed(capsys, "--passes", "26", "--shape", "free")
    assert free["shape"] == "ellipse"
    assert free["margin_drifts"] > circle["margin_drifts"]
    assert main(["patterns", "--bench", "peat-bog", "--passes", "26", "--shape", "line"]) == 2
    assert "clears it by" in capsys.readouterr().err


def test_details_tell_what_small_errors_do_to_one_pattern(capsys: Printed) -> None:
    (found,) = listed(capsys, "--passes", "62", "--details")
    rows = {row["parameter"]: row for row in found["sensitivities"]}
    # r N δd/√(d (2R − d)) along the circle, derived for the paraxial circle
    d = found["spacing_m"]
    slide = 0.02 * 62 / math.sqrt(d * (1.0 - d))
    assert rows["spacing_m"]["exit_y"] == pytest.approx(slide, rel=0.01)
    half = 0.5 * found["plateau_width_m"]
    assert rows["spacing_m"]["high"] == pytest.approx(half, rel=0.02)
    # a larger spacing leaves so much more below and so much less above
    ends = (rows["spacing_m"]["low_margin_m"], rows["spacing_m"]["high_margin_m"])
    assert ends == pytest.approx((1.0, -1.0), abs=1e-3)
    assert main(["patterns", "--bench", "peat-bog", "--passes", "62", "--details"]) == 0
    told = capsys.readouterr().out
    assert "for a change of 1 mm or 1 mrad" in told
    assert "far tilt x" in told
    assert max(len(line) for line in told.splitlines()) <= 100
    assert main(["patterns", "--bench", "peat-bog", "--details"]) == 2
    assert "--passes" in capsys.readouterr().err


def test_details_tell_the_path_and_what_makes_it_uncertain(capsys: Printed) -> None:
    """JCGM 100:2008: half-widths over √3 (4.3.7), one spacing error in every pass (5.2.2)."""
    (found,) = listed(capsys, "--passes", "62", "--details")
    path = found["path"]
    assert path["path_length_m"] == pytest.approx(found["path_length_m"])
    spacing = next(row for row in path["rows"] if row["quantity"] == "spacing_m")
    assert spacing["standard_uncertainty"] == pytest.approx(1e-3 / math.sqrt(3.0))
    assert spacing["contribution_m"] == pytest.approx(62 * 1e-3 / math.sqrt(3.0), rel=1e-3)
    assert path["standard_uncertainty_m"] >= spacing["contribution_m"]
    assert main(["patterns", "--bench", "peat-bog", "--passes", "62", "--details"]) == 0
    assert "± 71.6 mm (k = 2) given 62 passes" in capsys.readouterr().out


def test_details_tell_spots_leaks_and_the_best_pass_count(capsys: Printed) -> None:
    (found,) = listed(capsys, "--passes", "94", "--shape", "free", "--details")
    assert [spot["pass_number"] for spot in found["spots"]] == list(range(95))
    assert found["spots"][1]["hole_clearance"] is None  # no hole in the far mirror
    (own,) = [leak for leak in found["leaks"] if leak["fringe_period_hz"] is None]
    assert own["pass_number"] == 94
    assert own["power"] == pytest.approx(found["throughput"], rel=1e-6)
    for leak in found["leaks"]:
        if leak is not own:
            # c/ΔL, ΔL = p d: light that leaves p passes early or late
            apart = abs(94 - leak["pass_number"]) * found["spacing_m"]
            assert leak["fringe_period_hz"] == pytest.approx(299_792_458.0 / apart, rel=1e-3)
    # equal mirrors: w0² = (λ/2π) √(d(2R − d)), in the middle (Kogelnik & Li, Appl. Opt. 5, 1550
    # (1966), from memory)
    d, radius = found["spacing_m"], 0.5
    waist2 = 1654e-9 / (2.0 * math.pi) * math.sqrt(d * (2.0 * radius - d))
    assert found["mode_waist_m"] == pytest.approx(math.sqrt(waist2))
    assert found["mode_waist_distance_m"] == pytest.approx(0.5 * d)
    # −1/ln R and −2/ln R for R = 0.985
    assert found["best_passes_detector"] == pytest.approx(66.2, abs=0.1)
    assert found["best_passes_shot"] == pytest.approx(132.3, abs=0.1)


def test_a_path_length_puts_the_closest_first(capsys: Printed) -> None:
    off = [abs(pattern["path_length_m"] - 12.0) for pattern in listed(capsys, "--path", "12")]
    assert off == sorted(off)
    assert off[0] < 0.8


def test_all_tells_why_patterns_are_rejected(capsys: Printed) -> None:
    assert main(["patterns", "--bench", "peat-bog", "--all"]) == 0
    told = capsys.readouterr().out
    assert "Rejected, because" in told
    assert "2.5 are wanted" in told
    assert len(listed(capsys, "--all")) > len(listed(capsys))


def test_where_nothing_fits_it_names_no_option_that_was_given(capsys: Printed) -> None:
    assert main(["patterns", "--bench", "peat-bog", "--max-passes", "4"]) == 0
    assert "--all tells why" in capsys.readouterr().err
    assert main(["patterns", "--bench", "peat-bog", "--max-passes", "4", "--all"]) == 0
    told = capsys.readouterr().err
    assert "none is near the reach of the stage" in told
    assert "--all" not in told
    # a count without any re-entrant spacing says so with and without it
    assert main(["patterns", "--bench", "peat-bog", "--passes", "10", "--all"]) == 2
    assert "no re-entrant spacing for it" in capsys.readouterr().err


def test_help_says_where_the_spot_table_is(capsys: Printed) -> None:
    assert main(["patterns", "--help"]) == 0
    told = " ".join(capsys.readouterr().out.split())
    assert "with --json also every spot on the mirrors" in told


@pytest.mark.parametrize("shape", ["circle", "ellipse", "line", "free"])
def test_every_output_for_machines_is_plain_json(capsys: Printed, shape: str) -> None:
    found = listed(capsys, "--all", "--shape", shape, "--max-passes", "40")
    assert found
    (first, *_) = listed(capsys, "--all", "--shape", shape, "--passes", "6", "--details")
    assert first["leaks"]


@pytest.mark.parametrize("path", ["nan", "inf"])
def test_a_path_that_is_no_length_is_refused(path: str, capsys: Printed) -> None:
    assert main(["patterns", "--bench", "peat-bog", "--path", path]) == 2
    assert f"--path {path} is no length" in capsys.readouterr().err


def test_an_elliptical_beam_has_two_waists(tmp_path: Path, capsys: Printed) -> None:
    text = shipped("peat-bog").read_text("utf-8")
    file = tmp_path / "bench.yaml"
    file.write_text(
        text.replace("  waist_mm: 0.33 ", "  waist_y_mm: 0.5\n  waist_mm: 0.33 "), "utf-8"
    )
    assert main(["patterns", "--bench", str(file), "--passes", "26", "--details"]) == 0
    told = capsys.readouterr().out
    assert "0.330 mm, 115.0 mm behind the hole along its x, and 0.500 mm, 115.0 mm" in told


def test_one_pass_count(capsys: Printed) -> None:
    assert {pattern["passes"] for pattern in listed(capsys, "--passes", "62")} == {62}


@pytest.mark.parametrize(("passes", "why"), [(61, "odd"), (64, "62"), (10, "re-entrant")])
def test_an_impossible_pass_count_names_the_nearest_possible(
    passes: int, why: str, capsys: Printed
) -> None:
    assert main(["patterns", "--bench", "peat-bog", "--passes", str(passes)]) == 2
    printed = capsys.readouterr()
    assert printed.out == ""
    assert "Nearest that can" in printed.err
    assert why in printed.err

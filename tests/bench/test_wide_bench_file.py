"""The bench with wide tolerances is the shipped one in everything else."""

from __future__ import annotations

from typing import Any

import yaml

from autocell.bench.file import shipped

WIDE = {
    "laser.power_tolerance_percent": 100,
    "cell.entrance_mirror.radius_tolerance_percent": 1,
    "cell.entrance_mirror.reflectivity_tolerance": 0.01,
    "cell.entrance_mirror.tilt_tolerance_mrad": 1,
    "cell.far_mirror.radius_tolerance_percent": 1,
    "cell.far_mirror.reflectivity_tolerance": 0.01,
    "cell.far_mirror.tilt_tolerance_mrad": 1,
    "input_beam.position_tolerance_mm": 0.5,
    "input_beam.slope_tolerance_mrad": 5,
    "axes.spacing.spacing_tolerance_mm": 3,
    "power_meter.range_mw": 100,  # twice the power is beyond 10 mW
}


def leaves(value: Any, path: str = "") -> dict[str, Any]:
    """Every value of a file that is no mapping, by its dotted path."""
    if not isinstance(value, dict):
        return {path: value}
    return {
        name: leaf
        for key, below in value.items()
        for name, leaf in leaves(below, f"{path}.{key}" if path else key).items()
    }


def test_the_wide_bench_differs_from_the_shipped_one_in_its_tolerances_alone() -> None:
    usual, wide = (
        leaves(yaml.safe_load(shipped(name).read_text("utf-8")))
        for name in ("peat-bog", "peat-bog-wide")
    )
    assert usual.keys() == wide.keys()
    assert {path: wide[path] for path in wide if wide[path] != usual[path]} == WIDE

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from hashlib import sha256
from pathlib import Path

import pytest

from autocell.description import (
    BeamDescription,
    BenchDescription,
    Caps,
    HoleDescription,
    LaserDescription,
    MeterDescription,
    MirrorDescription,
)
from autocell.records import RunWriter, Store

BEGAN = datetime(2026, 11, 25, 9, 31, 7, tzinfo=UTC)


@pytest.fixture
def bench(tmp_path: Path) -> BenchDescription:
    """A bench without axes: the store looks at its name, place and hash only."""
    path = tmp_path / "bench.yaml"
    path.write_text("bench: chamber on the bog (invented)\n")
    mirror = MirrorDescription(0.5, 0.002, 0.024, 0.985, 0.003, 3e-4)
    return BenchDescription(
        name="chamber on the bog (invented)",
        path=path,
        sha256=sha256(path.read_bytes()).hexdigest(),
        laser=LaserDescription(1654e-9, 8e-3, 0.05, "3B", "visible red, class 2"),
        entrance_mirror=mirror,
        far_mirror=mirror,
        entrance_hole=HoleDescription(0.02, 0.0, 0.002, 2.5e-5),
        minimum_gap_m=0.195,
        input_beam=BeamDescription(0.02, 0.0, -0.04, 0.07, 1.5e-4, 1e-3, 3.3e-4, 0.05, 0.115, 1.0),
        spacing_at_zero_m=0.205,
        spacing_tolerance_m=1e-3,
        axes={},
        meter=MeterDescription("meter", {}, 0.01, 0.05, 0.003, 5e-7),
        shutter=None,
        devices={},
        caps=Caps(150, 300, 0.4, 1800.0),
    )


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "runs.sqlite", utc=lambda: BEGAN) as opened:
        yield opened


@pytest.fixture
def run(store: Store, bench: BenchDescription) -> RunWriter:
    return store.begin("change", bench, BEGAN, "0.1.0", {"passes": 62})

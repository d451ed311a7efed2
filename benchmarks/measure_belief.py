"""What the belief asks all day: 150 model benches at 60 spacings around a plateau of 62 passes."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from autocell.belief.model import BenchModel
from autocell.bench.file import load
from autocell.optics.trace import exit_of
from autocell.patterns import choose_pattern

BENCH_FILE = Path(__file__).parents[1] / "configs" / "peat-bog.yaml"
WANTED = 62
FLOOR = 1e-4


@pytest.mark.parametrize("max_passes", [WANTED, 2 * WANTED])
def test_scan_across_a_plateau(benchmark, results, max_passes):
    bench = load(BENCH_FILE)
    model = BenchModel(bench, max_passes=max_passes)
    setting = choose_pattern(bench, WANTED).setting
    z = 0.3 * model.prior.draw(150, np.random.default_rng(62))
    scan = [setting.at_spacing(setting.spacing_m + off) for off in np.linspace(-2.4e-3, 2.4e-3, 60)]

    batch = model._batch.having(model._met(model._quantities(z, scan)))
    whole = exit_of(batch, max_passes, floor=0.0).power
    quick = exit_of(batch, max_passes, floor=FLOOR).power
    assert np.abs(quick - whole).max() <= FLOOR

    benchmark.pedantic(lambda: model.predict(z, scan), rounds=25, warmup_rounds=1)
    results.fact(
        f"150 benches x 60 spacings, at most {max_passes} passes",
        f"{1e3 * benchmark.stats.stats.min:.2f} ms",
    )
    results.fact(
        f"  largest error of the power at floor 1e-4, {max_passes} passes",
        f"{np.abs(quick - whole).max():.1e}",
        "≤ 1e-4",
    )

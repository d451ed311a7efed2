"""What the readings told of the bench, against regression done by others."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from autocell.belief.findings import findings, learned, spacing_and_radii
from autocell.belief.model import BenchModel

from .conftest import PEAT_BOG, UNKNOWNS, a_model

MODEL = a_model()


def members(seed: int = 0, count: int = 4000) -> np.ndarray:
    """Benches whose spacing and radii are known only together: offset − 0.4 ΔR1 − 0.1 ΔR2."""
    rng = np.random.default_rng(seed)
    z = rng.uniform(-1.0, 1.0, (count, len(UNKNOWNS)))
    values = MODEL.prior.values(z)
    first, second = (UNKNOWNS.index(name) for name in ("entrance_radius_m", "far_radius_m"))
    together = 0.4 * (values[:, first] - 0.5) + 0.1 * (values[:, second] - 0.5)
    offset_m = together + rng.normal(2e-4, 1e-5, count)
    z[:, UNKNOWNS.index("spacing_offset_m")] = offset_m / 1e-3
    z[:, UNKNOWNS.index("reflectivity")] = rng.normal(0.2, 0.05, count)
    return z


def test_a_flat_unknown_is_as_open_as_its_file_leaves_it_and_a_narrow_one_is_found():
    found = {finding.name: finding for finding in findings(MODEL, members())}
    assert set(found) == set(UNKNOWNS)
    # 0.003 of tolerance: 0.05 of it is 1.5e-4; uniform over ±0.003 is 0.003/√3 (JCGM 100, 4.3.7)
    mirrors = found["reflectivity"]
    assert mirrors.observable
    assert mirrors.value == pytest.approx(0.985 + 0.2 * 0.003, abs=1e-5)
    assert mirrors.u == pytest.approx(1.5e-4, rel=0.05)
    assert mirrors.file_u == pytest.approx(0.003 / np.sqrt(3.0))
    tilt = found["far_tilt_x_rad"]
    assert not tilt.observable
    assert tilt.u == pytest.approx(tilt.file_u, rel=0.03)


def test_spacing_and_radii_are_told_by_the_sum_that_the_members_agree_on():
    known = spacing_and_radii(MODEL, members())
    assert known is not None
    assert dict(known.weights) == pytest.approx(
        {"entrance_radius_m": -0.4, "far_radius_m": -0.1}, abs=2e-3
    )
    assert known.value_m == pytest.approx(2e-4, abs=1e-6)
    assert known.u_m == pytest.approx(1e-5, rel=0.05)


def test_with_one_radius_unknown_it_is_ordinary_regression():
    model = a_model("spacing_offset_m", "entrance_radius_m")
    z = members()
    known = spacing_and_radii(model, z)
    assert known is not None
    values = model.prior.values(z)
    line = stats.linregress(
        values[:, UNKNOWNS.index("entrance_radius_m")],
        values[:, UNKNOWNS.index("spacing_offset_m")],
    )
    assert dict(known.weights)["entrance_radius_m"] == pytest.approx(-line.slope, rel=1e-6)


def test_what_is_learned_is_mean_and_covariance_in_si():
    z = members()
    knowledge = learned(MODEL, z)
    values = MODEL.prior.values(z)
    assert knowledge.names == UNKNOWNS
    np.testing.assert_allclose(knowledge.mean, values.mean(axis=0))
    np.testing.assert_allclose(knowledge.covariance, np.cov(values.T), atol=1e-18)


def test_what_is_learned_of_one_unknown_is_a_covariance_too():
    bench = replace(PEAT_BOG, meter=replace(PEAT_BOG.meter, stray_tolerance=1e-4))
    model = BenchModel(bench, max_passes=112)
    model.prior = replace(model.prior, unknowns=model.prior.unknowns[:1])
    knowledge = learned(model, np.random.default_rng(1).normal(size=(50, 1)))
    assert np.shape(knowledge.covariance) == (1, 1)

"""A pattern that was proved before is gone to by the way that led there, and proved anew."""

from __future__ import annotations

import numpy as np
import pytest

from autocell.description import BenchDescription
from autocell.outcome import Outcome, Verdict
from autocell.patterns import choose_pattern
from autocell.procedures.change import change_passes
from autocell.procedures.progress import Progress
from autocell.procedures.tuning import Experience, Way

from .conftest import a_bench


def after(outcome: Outcome) -> Experience:
    """What a run leaves for the next to the same pattern."""
    assert outcome.learned is not None
    assert outcome.setting is not None
    return Experience(outcome.learned, 1.0, Way(outcome.setting, outcome.telling))


@pytest.mark.parametrize("seed", [1, 8])
def test_the_way_is_gone_again_and_the_pattern_proved_anew(
    peat_bog: BenchDescription, seed: int
) -> None:
    told: list[Progress] = []
    with a_bench(peat_bog, seed) as (bench, simulated):
        first = change_passes(bench, 62)
        change_passes(bench, 38)
        assert first.setting is not None
        assert first.learned is not None
        near, far = (first.setting.at_spacing(first.setting.spacing_m + m) for m in (6e-3, -19e-3))
        again = change_passes(
            bench,
            62,
            experience=Experience(first.learned, 1.0, Way(first.setting, (near, far))),
            listener=told.append,
        )
        truth = simulated.truth_report()
    assert again.verdict is Verdict.REACHED, again.reason
    assert truth["passes"] == 62
    assert again.proof is not None
    assert all(piece.holds for piece in again.proof.evidence)
    assert again.telling[:2] == (far, near)

    seen = [(p.stage, p.reading.setting.as_array()) for p in told if p.reading is not None]
    assert [stage for stage, _ in seen[:5]] == [
        "survey",
        "retrace",
        "retrace",
        "retrace",
        "low edge",
    ]
    for (_, place), wanted in zip(seen[1:4], (far, near, first.setting), strict=True):
        assert place == pytest.approx(wanted.as_array(), abs=1e-5)
    # nothing is claimed before they are reckoned together
    assert all(p.probability is None for p in told if p.stage in ("survey", "retrace"))


def test_a_run_leaves_what_told_its_pattern_from_rivals_and_a_bench_at_its_end_is_read_there_once(
    peat_bog: BenchDescription,
) -> None:
    for seed in (5, 8, 1, 2, 3):  # on some a rival has to be asked about
        told: list[Progress] = []
        with a_bench(peat_bog, seed) as (bench, simulated):
            first = change_passes(bench, 62, listener=told.append)
            rivals = [p for p in told if p.stage == "rivals" and p.reading is not None]
            assert len(first.telling) == min(len(rivals), 4)
            if not first.telling:
                continue
            told.clear()
            again = change_passes(bench, 62, experience=after(first), listener=told.append)
            assert simulated.truth_report()["passes"] == 62
        assert again.verdict is Verdict.REACHED, again.reason
        retraced = [p for p in told if p.stage == "retrace" and p.reading is not None]
        assert len(retraced) == len(first.telling)
        return
    pytest.fail("no rival was close on any of five benches")


@pytest.mark.parametrize("fault", ["knock", "neighbouring-pass-count", "early-exit"])
@pytest.mark.parametrize("seed", [8, 5])
def test_a_bench_that_has_changed_since_is_found_out_by_its_readings(
    peat_bog: BenchDescription, seed: int, fault: str
) -> None:
    with a_bench(peat_bog, seed) as (bench, simulated):
        first = change_passes(bench, 62)
        simulated.begin({"fault": fault})
        again = change_passes(bench, 62, experience=after(first))
        truth = simulated.truth_report()
    assert again.verdict in (Verdict.REACHED, Verdict.HELD)
    if again.verdict is Verdict.REACHED:
        assert truth["passes"] == 62
    else:
        assert truth["passes"] == 6, "back at the start of all"
    assert truth["limit_violations"] == 0


def test_a_place_that_cannot_be_read_any_more_is_left_out_of_the_way(
    peat_bog: BenchDescription,
) -> None:
    with a_bench(peat_bog, 5) as (bench, simulated):
        first = change_passes(bench, 62)
        assert first.setting is not None
        assert first.learned is not None
        beyond = first.setting.at_spacing(1.0)
        way = Way(first.setting, (beyond, *first.telling))
        again = change_passes(bench, 62, experience=Experience(first.learned, 1.0, way))
        assert simulated.truth_report()["passes"] == 62
    assert again.verdict is Verdict.REACHED, again.reason
    assert beyond not in again.telling


def test_edges_are_those_of_the_beam_that_is_proved_also_where_it_stood_with_another(
    peat_bog: BenchDescription,
) -> None:
    told: list[Progress] = []
    with a_bench(peat_bog, 1) as (bench, _):
        before = change_passes(bench, 26)
        change_passes(bench, 26, listener=told.append)
    nominal = choose_pattern(peat_bog, 26).setting
    assert before.setting is not None
    assert abs(before.setting.slope_y - nominal.slope_y) > 1e-3, "it stands with another beam"
    read = [(p.stage, p.reading.setting.as_array()[1:]) for p in told if p.reading is not None]
    edges = None
    for stage, beam in read:
        if stage in ("low edge", "high edge"):
            edges = beam
        elif stage == "prove":
            np.testing.assert_allclose(beam, edges, atol=2e-5)

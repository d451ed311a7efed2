"""What the comparison rests on: its benches are the simulated ones, its runs repeat themselves,
nobody reads more than allowed, and its file survives being stopped."""

from __future__ import annotations

from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest
from autocell_simulators.bench import SimulatedBench
from autocell_simulators.inprocess import connector
from autocell_simulators.rehearsal.one import bench_seed
from autocell_simulators.truth import draw_truth

from autocell.bench.clock import VirtualClock
from autocell.bench.file import load
from autocell.bench.opening import open_bench
from autocell.procedures.tuning import READING_NOISE
from benchmarks.optimisers.campaign import carry_out, header
from benchmarks.optimisers.objectives import Objective, power
from benchmarks.optimisers.optimisers import OPTIMISERS, quietly
from benchmarks.optimisers.plan import NOMINAL, NOMINAL_PEAK, Contest, Entry, entries, run
from benchmarks.optimisers.power_bench import PowerBench
from benchmarks.optimisers.results import ResultsFile, Run
from benchmarks.optimisers.tally import tally, tally_all

BENCH_FILE = Path(__file__).parents[2] / "configs" / "peat-bog.yaml"
ROUNDS = 60


@pytest.fixture(scope="module")
def contest() -> Contest:
    return Contest(load(BENCH_FILE), readings=40)


@contextmanager
def opened(contest, seed):
    """The simulated bench and, through the drivers, the bench that the tool sees."""
    simulated = SimulatedBench(
        contest.description, draw_truth(contest.description, seed), VirtualClock()
    )
    with open_bench(
        contest.description, clock=simulated.clock, connect=connector(simulated)
    ) as bench:
        yield simulated, bench


def test_an_axis_and_a_reading_are_off_as_on_the_simulated_bench(contest):
    """Sixty approaches to one place, each from another: standard deviations of sixty differ by
    less than 35 % (4 standard deviations of their ratio are 37 %), and both have no offset."""
    seed, names = bench_seed(0, 3), list(contest.description.axes)
    place = contest.boxes["six passes"].start
    aside = place + np.array([1e-3, 1e-3, 1e-3, 2e-4, 2e-4])
    wanted = contest.description.setting(dict(zip(names, place.tolist(), strict=True)))
    elsewhere = contest.description.setting(dict(zip(names, aside.tolist(), strict=True)))

    quick = PowerBench(contest.description, seed, "test", readings=10 * ROUNDS)
    quick_off, quick_w = [], []
    for _ in range(ROUNDS):
        quick.move(aside)
        quick_off.append(quick.move(place) - place)
        quick_w.append(quick.read(place))

    whole_off, whole_w = [], []
    for _ in range(3):  # within the caps of three runs
        with opened(contest, seed) as (simulated, bench):
            for _ in range(ROUNDS // 3):
                bench.move_to(elsewhere, "away")
                bench.move_to(wanted, "back")
                positions = simulated.true_positions()
                whole_off.append([positions[name] for name in names] - place)
                whole_w.append(bench.read_power("test", READING_NOISE).power_w)

    quick_spread, whole_spread = np.std(quick_off, axis=0), np.std(whole_off, axis=0)
    assert whole_spread == pytest.approx(quick_spread, rel=0.35)
    for off in (quick_off, whole_off):
        assert np.all(np.abs(np.mean(off, axis=0)) < 4.0 * quick_spread / np.sqrt(ROUNDS))
    assert np.std(whole_w) == pytest.approx(np.std(quick_w), rel=0.35)
    assert np.mean(whole_w) == pytest.approx(np.mean(quick_w), rel=1e-3)


@pytest.mark.parametrize("start", ["six passes", "nominal"])
def test_the_judge_agrees_with_what_the_simulated_bench_says_is_true(contest, start):
    place = contest.boxes[start].start
    names = list(contest.description.axes)
    for index in range(3):
        seed = bench_seed(contest.seed, index)
        with opened(contest, seed) as (simulated, bench):
            bench.move_to(
                contest.description.setting(dict(zip(names, place.tolist(), strict=True))), "test"
            )
            truth = simulated.truth_report()
        assert PowerBench(contest.description, seed, "test").judge(place).end == truth["passes"]


@pytest.mark.parametrize("method", OPTIMISERS)
def test_an_optimiser_reads_as_often_as_it_may_and_repeats_itself(contest, method):
    entry = Entry(method, "power", "nominal")
    once, again = run(contest, entry, 1), run(contest, entry, 1)
    assert 20 <= once.readings <= contest.readings
    assert (once.passes, once.readings, once.first, once.settled) == (
        again.passes, again.readings, again.first, again.settled,
    )  # fmt: skip


@pytest.mark.parametrize("method", OPTIMISERS)
def test_an_optimiser_finds_the_top_of_a_hill(contest, method):
    """So that one that fails on a bench has not simply been called wrongly."""

    class Hill:
        """1 at the top, which is nowhere special, falling off as a Gaussian of σ = 0.4."""

        readings_left = 300

        def __init__(self):
            self._random = np.random.default_rng(5)

        def read(self, unit):
            self.readings_left -= 1
            off = (unit - np.array([0.62, 0.35, 0.55, 0.41, 0.58])) / 0.4
            return float(np.exp(-0.5 * off @ off)) + 0.002 * self._random.standard_normal()

    class Whole:
        def positions(self, unit):
            return unit

    objective = Objective(Hill(), Whole(), power(), 1.0)
    top = quietly(OPTIMISERS[method], objective, np.full(5, 0.5), np.random.default_rng(1))
    assert top == pytest.approx(np.array([0.62, 0.35, 0.55, 0.41, 0.58]), abs=0.06)


def test_results_depend_on_no_number_of_workers_and_a_stopped_run_goes_on(contest, tmp_path):
    wanted = [e for e in entries() if e.method in (NOMINAL, NOMINAL_PEAK, "Powell")]
    head = header(contest)
    alone = ResultsFile(tmp_path / "alone.jsonl", head)
    carry_out(contest, wanted, 2, alone)
    assert len(alone.runs) == 2 * len(wanted)

    shared = ResultsFile(tmp_path / "shared.jsonl", head)
    carry_out(contest, wanted[:2], 1, shared)
    with shared.path.open("ab") as file:
        file.write(b'{"index": 1, "meth')
    shared = ResultsFile(shared.path, head)
    carry_out(contest, wanted, 2, shared, workers=2)

    def results(file):
        return {key: vars(r) | {"cpu_s": 0.0} for key, r in file.runs.items()}

    assert results(ResultsFile(shared.path, head)) == results(alone)
    with pytest.raises(ValueError, match="of another comparison"):
        ResultsFile(shared.path, head | {"seed": 1})


def test_one_method_is_run_again_without_the_others(tmp_path):
    file = ResultsFile(tmp_path / "results.jsonl", {"comparison": "test"})
    file.tell("autocell", {"source": "a"})
    file.tell("optimisers", {"source": "a"})
    file.tell("optimisers", {"source": "b"})
    file.tell("optimisers", {"source": "a"})
    file.add(Run(0, m, "power", "nominal", 6, 9, None, None, 0.1) for m in ("autocell", "Powell"))
    file.forget("autocell", {"autocell"})
    file.tell("autocell", {"source": "c"})
    file.add([Run(0, "autocell", "power", "nominal", 62, 8, 3, 8, 0.1)])
    again = ResultsFile(file.path, {"comparison": "test"})
    assert {key[0]: r.passes for key, r in again.runs.items()} == {"Powell": 6, "autocell": 62}
    sources = {leg: told["source"] for leg, told in again.facts.items()}
    assert sources == {"autocell": "c", "optimisers": "a, then b"}


def test_only_benches_that_every_way_was_tried_on_are_compared():
    ways = [Entry("autocell", "proof", "six passes"), Entry("Powell", "power", "nominal")]
    tried = [(ways[0], 0), (ways[0], 1), (ways[1], 1), (ways[1], 2)]
    runs = [
        Run(index, way.method, way.objective, way.start, 62, 9, 2, 2, 0.1) for way, index in tried
    ]
    assert [(row.entry, row.wanted.of) for row in tally_all(runs, 62)] == [(w, 1) for w in ways]
    with pytest.raises(ValueError, match="run more"):
        tally_all(runs[:1] + runs[3:], 62)


def test_every_end_is_counted_once():
    entry = Entry("autocell", "proof", "six passes")
    ends = [(62, "reached and true"), (56, "wrong"), (68, None), (0, None), (6, "held")]
    runs = [
        Run(i, entry.method, entry.objective, entry.start, passes, 9, None, None, 0.1, claim)
        for i, (passes, claim) in enumerate(ends)
    ]
    row = tally(entry, runs, 62)
    assert (row.wanted.count, row.fewer, row.more, row.dark, row.held) == (1, 1, 1, 1, 1)

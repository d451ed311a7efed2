"""One rehearsal."""

from __future__ import annotations

import dataclasses

import pytest
from autocell_simulators.bench import SimulatedBench
from autocell_simulators.faults.scenario import read
from autocell_simulators.inprocess import connector
from autocell_simulators.rehearsal.one import Rehearsal, Struck, bench_seed, rehearse_change
from autocell_simulators.rehearsal.plan import Plan

from autocell.bench.clock import VirtualClock
from autocell.bench.opening import open_bench
from autocell.description import BenchDescription
from autocell.outcome import Verdict
from autocell.procedures.change import change_passes


def test_a_change_reaches_its_count_and_the_simulator_agrees(
    in_this_process: list[Rehearsal],
) -> None:
    first = in_this_process[0]
    assert first.verdict is Verdict.REACHED
    assert first.proved
    assert (first.passes, first.true_passes) == (26, 26)
    assert first.limit_violations == 0
    assert first.path_length_m == pytest.approx(first.true_path_length_m, abs=0.1)
    assert first.margin_low_m == pytest.approx(first.true_margin_low_m, abs=2e-4)


def test_a_rehearsal_is_what_the_procedure_does_when_nobody_watches(
    description: BenchDescription, plan: Plan, in_this_process: list[Rehearsal]
) -> None:
    clock = VirtualClock()
    bench = SimulatedBench(description, bench_seed(plan.seed, 0), clock)
    with open_bench(description, clock=clock, connect=connector(bench)) as opened:
        opened.vouch_for(description.axes)
        outcome = change_passes(opened, plan.passes)
    watched = in_this_process[0]
    assert (outcome.readings, outcome.moves) == (watched.readings, watched.moves)
    assert outcome.elapsed_s == watched.bench_time_s
    assert outcome.margin_low_m == watched.margin_low_m


def test_what_is_claimed_on_the_way_is_compared_with_what_was_true_there(
    in_this_process: list[Rehearsal],
) -> None:
    claims = in_this_process[0].claims
    assert len(claims) > in_this_process[0].readings / 2
    assert claims[0].true_passes == 6  # where the bench starts
    assert claims[-1].true_passes == 26
    assert all(0.0 < claim.probability <= 1.0 for claim in claims)


def test_what_struck_is_told_and_a_lost_reply_costs_nothing_but_time(
    description: BenchDescription,
) -> None:
    scenario = read(
        "scenario: three replies lost (invented)\n"
        "faults:\n"
        "  - {fault: lost-reply, device: motion, when: {query: 40}}\n"
        "  - {fault: lost-reply, device: motion, when: {query: 140}}\n"
        "  - {fault: late-reply, device: motion, when: {query: 240}}\n"
        "  - {fault: mode-hop, when: {at_s: 3600}}\n"
    )
    for index in range(5):
        undisturbed = rehearse_change(description, 26, campaign_seed=5, index=index)
        rehearsal = rehearse_change(
            description, 26, campaign_seed=5, index=index, scenario=scenario
        )
        assert rehearsal.struck == (Struck("lost-reply", 2), Struck("late-reply", 1))
        assert (rehearsal.verdict, rehearsal.true_passes) == (Verdict.REACHED, 26)
        if rehearsal.moves == undisturbed.moves:
            break
        # what is read later is read of a laser that drifted on: not all go the same way
    else:
        pytest.fail("none of five benches went the same way without the faults")
    # three replies, each waited for 0.3 s, and ways that differ by hundredths of a second
    assert rehearsal.bench_time_s > undisturbed.bench_time_s + 0.75


def test_a_bench_may_be_found_in_any_start_state(description: BenchDescription) -> None:
    rehearsal = rehearse_change(description, 26, campaign_seed=5, index=0, start="dark")
    assert rehearsal.verdict is Verdict.HELD
    assert "no light where the bench stands" in rehearsal.reason


def test_the_faults_of_a_scenario_with_a_seed_differ_from_bench_to_bench(
    description: BenchDescription,
) -> None:
    scenario = read(
        "scenario: a bench that is found in bits (invented)\nseed: 4\nstart: dark\n"
        "faults: [{fault: duplicated-reply, when: {per_query: 0.3}}]\n"
    )
    struck = [
        rehearse_change(description, 26, campaign_seed=5, index=index, scenario=scenario).struck
        for index in (0, 0, 1)
    ]
    assert struck[0] == struck[1] != struck[2]


def test_benches_of_one_campaign_and_of_two_all_differ() -> None:
    seeds = {bench_seed(campaign, index) for campaign in range(3) for index in range(1000)}
    assert len(seeds) == 3000
    assert max(seeds) < 2**53  # IEEE 754-2019: the integers that a double keeps


def test_an_impossible_count_is_a_failed_rehearsal_with_the_reason(
    description: BenchDescription,
) -> None:
    rehearsal = rehearse_change(description, 27, campaign_seed=0, index=0)
    assert rehearsal.verdict is Verdict.FAILED
    assert "27 passes cannot be set" in rehearsal.reason
    assert rehearsal.true_passes == 6
    assert rehearsal.readings == 0


def test_an_unforeseen_error_is_a_failed_rehearsal_with_its_name(
    description: BenchDescription,
) -> None:
    broken = dataclasses.replace(description, caps=None)
    rehearsal = rehearse_change(broken, 26, campaign_seed=0, index=4)
    assert rehearsal.verdict is Verdict.FAILED
    assert rehearsal.reason.startswith("AttributeError: ")
    assert rehearsal.seed == bench_seed(0, 4)


def test_a_bench_that_cannot_be_simulated_is_a_failed_rehearsal_with_the_reason(
    description: BenchDescription,
) -> None:
    motion = dataclasses.replace(description.devices["motion"], driver="scpi-power-meter")
    other = dataclasses.replace(description, devices={**description.devices, "motion": motion})
    rehearsal = rehearse_change(other, 26, campaign_seed=0, index=0)
    assert rehearsal.verdict is Verdict.FAILED
    assert "device 'motion'" in rehearsal.reason
    assert rehearsal.true_passes is None
    assert rehearsal.readings is None

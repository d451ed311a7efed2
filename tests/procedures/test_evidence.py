"""Evidence beside the power: the delay reading to numbers worked out by hand, and the interface to
another kind of witness."""

from __future__ import annotations

import dataclasses
import math
import re
from collections.abc import Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace

import numpy as np
import pytest
from autocell_simulators.bench import SimulatedBench
from autocell_simulators.inprocess import connector
from scipy.integrate import quad
from scipy.special import i0, i1
from scipy.stats import norm, vonmises

from autocell.belief.alternatives import Alternative, Weighing
from autocell.bench.clock import VirtualClock
from autocell.bench.file import load, shipped
from autocell.bench.opening import open_bench
from autocell.bench.protocols import Line, Transport
from autocell.errors import Disconnected, MotionError
from autocell.outcome import Proof
from autocell.procedures.evidence import (
    Hypothesis,
    SecondOpinion,
    Witness,
    further_evidence,
    hypotheses_at,
    in_proof,
    reweighed,
)
from autocell.procedures.evidence_delay import (
    DelayWitness,
    PhaseChange,
    judge,
    log_likelihood,
    turned_rad,
)
from autocell.procedures.proving import compile_proof
from autocell.procedures.tuning import Tuning
from autocell.procedures.witnesses import witnesses_at_start
from autocell.setting import Setting

from .conftest import PASSES, Arrived, a_clear_bench, start_tuning

WITH_DELAY = load(shipped("peat-bog-delay"))


@dataclass(frozen=True)
class Heard:
    """A bench on its plateau, with its delay meter read at the start."""

    arrived: Arrived
    witnesses: tuple[DelayWitness, ...]

    def pieces(self) -> tuple[SecondOpinion, ...]:
        arrived = self.arrived
        return further_evidence(arrived.tuning, self.witnesses, arrived.at, arrived.weighing)

    def proof(self, further: Sequence[SecondOpinion]) -> Proof:
        arrived = self.arrived
        return compile_proof(
            arrived.tuning, arrived.at, arrived.height, arrived.edges, arrived.weighing, further
        )


@pytest.fixture(scope="module")
def heard() -> Iterator[Heard]:
    """Tests share it and leave it as it was."""
    with a_clear_bench(WITH_DELAY, DelayWitness.at_start) as (there, witnesses):
        yield Heard(there, witnesses)


# worked out by hand


def test_phases_of_62_and_56_passes_are_those_worked_out_by_hand() -> None:
    """Six passes of 250 mm are 1.500 m; 62 of 230 mm are 14.260 m and 56 are 12.880 m.

    At 100 MHz a turn is 299 792 458 / 10⁸ = 2.997 924 58 m of path (c: SI brochure, 9th edition).
    The paths grow by 12.760 m = 4.256 278 turns and 11.380 m = 3.795 959 turns. What is seen of it
    is 0.256 278 turns = 1.610 241 rad and −0.204 041 turns = −1.282 025 rad.
    """
    assert float(turned_rad(12.760, 100e6)) == pytest.approx(26.742982, abs=1e-6)
    assert float(turned_rad(11.380, 100e6)) == pytest.approx(23.850716, abs=1e-6)
    assert math.remainder(26.742982, 2 * math.pi) == pytest.approx(1.610241, abs=1e-6)
    assert math.remainder(23.850716, 2 * math.pi) == pytest.approx(-1.282025, abs=1e-6)


def spread(path_m: float, seed: int = 0) -> np.ndarray:
    """Phases at 100 MHz of paths known to 10 mm."""
    paths = path_m + 0.010 * np.random.default_rng(seed).standard_normal(60)
    return turned_rad(paths, 100e6)


BY_HAND = {62: spread(12.760), 56: spread(11.380)}


@pytest.mark.parametrize(("measured_rad", "holds"), [(1.610, True), (-1.282, False)])
def test_a_phase_of_one_of_them_speaks_against_the_other(measured_rad: float, holds: bool) -> None:
    piece = judge(62, 6, PhaseChange(measured_rad, 0.02), BY_HAND, 100e6)
    assert piece.holds is holds
    seen, other = (62, 56) if holds else (56, 62)
    assert piece.log_likelihood[seen] - piece.log_likelihood[other] > 5.0
    assert f"changed by {measured_rad:.3f} ± 0.020 rad" in piece.statement
    assert "62 passes would change it by 1.6" in piece.statement
    assert ("which does not agree" in piece.statement) is not holds
    assert (f"speaks {'against' if holds else 'for'} 56" in piece.statement) is True


def test_a_whole_turn_between_two_pass_counts_tells_nothing_and_says_so() -> None:
    """Six passes of 230 mm are 1.380 m: a whole turn at c / 1.380 m = 217.240 912 MHz."""
    alias_hz = 217.240912e6
    expected = {n: turned_rad(np.array([n * 0.230 - 1.5]), alias_hz) for n in (62, 56, 60)}
    measured = float(expected[62][0])
    piece = judge(
        62, 6, PhaseChange(math.remainder(measured, 2 * math.pi), 0.02), expected, alias_hz
    )
    assert piece.holds
    assert piece.log_likelihood[62] == pytest.approx(piece.log_likelihood[56], abs=1e-3)
    assert "does not tell 62 from 56" in piece.statement
    assert "speaks against 60" in piece.statement


# the likelihood against other people's distributions


def test_the_likelihood_is_a_density_around_the_circle() -> None:
    for sigma in (0.02, 0.3, 2.0):
        total, _ = quad(
            lambda phase, s=sigma: math.exp(log_likelihood(phase, np.array([0.4]), s)),
            -math.pi, math.pi, points=[0.4], limit=400,
        )  # fmt: skip
        assert total == pytest.approx(1.0, abs=2e-3)


@pytest.mark.parametrize("off", [0.0, 0.01, 0.03])
def test_a_sharp_reading_has_the_density_of_a_normal_distribution(off: float) -> None:
    found = log_likelihood(1.0 + off, np.array([1.0 + 6.0 * math.pi]), 0.02)
    expected = math.log(0.99 * norm.pdf(off, scale=0.02) + 0.01 / (2.0 * math.pi))
    assert found == pytest.approx(expected, abs=1e-9)


def test_a_broad_reading_is_close_to_von_mises_and_a_hopeless_one_says_nothing() -> None:
    # a wrapped normal and a von Mises distribution of the same mean resultant length are close
    # (Mardia & Jupp, Directional Statistics, 3.5.7, [mem])
    sigma = 0.5
    kappa = 4.575  # I₁(κ)/I₀(κ) = exp(−σ²/2) = 0.8825
    assert i1(kappa) / i0(kappa) == pytest.approx(math.exp(-0.5 * sigma**2), abs=1e-4)
    for off in (0.0, 0.5, 1.0):
        found = math.exp(log_likelihood(off, np.array([0.0]), sigma))
        assert found == pytest.approx(vonmises.pdf(off, kappa), rel=0.09)
    flat = [log_likelihood(off, np.array([0.0]), 1e3) for off in (0.0, 1.0, 3.0)]
    assert flat == pytest.approx([-math.log(2.0 * math.pi)] * 3, abs=0.01)


def test_benches_that_are_equally_likely_are_averaged_not_multiplied() -> None:
    both = math.exp(log_likelihood(0.1, np.array([0.1, 2.0]), 0.05))
    one = math.exp(log_likelihood(0.1, np.array([0.1]), 0.05))
    none = math.exp(log_likelihood(0.1, np.array([2.0]), 0.05))
    assert both == pytest.approx(0.5 * (one + none))


def test_no_single_reading_drowns_all_others() -> None:
    far = log_likelihood(3.0, np.array([0.0]), 1e-3)
    assert far == pytest.approx(math.log(0.01 / (2.0 * math.pi)), abs=0.01)


# on a simulated bench


def test_hypotheses_carry_the_benches_and_the_path_that_each_pass_count_has(heard: Heard) -> None:
    arrived = heard.arrived
    ours, *others = hypotheses_at(arrived.tuning, arrived.at, arrived.weighing)
    assert ours.passes == PASSES
    assert [h.passes for h in others] == [rival.passes for rival in arrived.weighing.rivals]
    truth = arrived.simulated.truth_report()
    assert np.mean(ours.path_m) == pytest.approx(truth["path_length_m"], abs=0.02)
    for hypothesis in others:
        # F8: N passes of a circular pattern are N·d up to O(r⁴), with d of the benches themselves
        spacing_m = arrived.tuning.model.spacing_m(hypothesis.z, arrived.at)
        np.testing.assert_allclose(hypothesis.path_m, hypothesis.passes * spacing_m, rtol=5e-3)


def test_a_true_delay_holds_and_adds_to_the_proof(heard: Heard) -> None:
    (piece,) = heard.pieces()
    assert piece.holds, piece.statement
    assert piece.statement.startswith("delay at 80 MHz: from 6 passes at the start")
    nearest = [rival.passes for rival in heard.arrived.weighing.rivals][:3]
    for passes in nearest:
        assert piece.log_likelihood[PASSES] > piece.log_likelihood[passes] + 3.0
    proof = heard.proof((piece,))
    assert proof.proved
    assert proof.evidence[-1] == in_proof((piece,))[0]
    odds = dict(proof.alternatives)
    for rival in heard.arrived.weighing.rivals:
        gain = piece.log_likelihood[PASSES] - piece.log_likelihood[rival.passes]
        assert odds[rival.passes] == pytest.approx(rival.log_odds + gain)


def test_a_wrong_belief_that_the_power_would_have_proved_is_contradicted_by_the_delay() -> None:
    """The bench makes 26 passes. The belief is made to think that the mirrors are six millimetres
    further apart, where 32 would be, and that every reading of the power agreed."""
    with a_clear_bench(WITH_DELAY, DelayWitness.at_start) as (arrived, witnesses):
        tuning = arrived.tuning
        offset = tuning.model.prior.names.index("spacing_offset_m")
        tuning.belief.z[:, offset] += 6e-3 / WITH_DELAY.spacing_tolerance_m
        tuning.passes = 32
        rival = Alternative(PASSES, 12.0, arrived.weighing.z)
        wrong = replace(arrived, weighing=Weighing(32, tuning.belief.best(1)[0], (rival,)))
        heard = Heard(wrong, witnesses)

        assert arrived.simulated.truth_report()["passes"] == PASSES
        assert tuning.probability(arrived.at) > 0.999
        assert heard.proof(()).proved
        (piece,) = heard.pieces()
        assert not piece.holds
        assert "which does not agree; it speaks for 26" in piece.statement
        proof = heard.proof((piece,))
        assert not proof.proved
        assert piece.statement in [held.statement for held in proof.evidence if not held.holds]


def test_the_uncertainty_of_a_change_is_that_of_everything_but_the_path(heard: Heard) -> None:
    (witness,) = heard.witnesses
    (piece,) = heard.pieces()
    shown = float(re.findall(r"± (\d\.\d+) rad", piece.statement)[0])
    # nine samples of 5 mrad before and after; 10 mrad that no averaging removes; and for the gas
    # 2·10⁻⁴ of the largest change there is, to the hypothesis of most passes
    hypotheses = hypotheses_at(heard.arrived.tuning, heard.arrived.at, heard.arrived.weighing)
    most_m = max(hypothesis.path_m.max() for hypothesis in hypotheses) - 1.5
    of_gas = 2e-4 * 2.0 * math.pi * 80e6 * most_m / 299_792_458.0
    assert of_gas > 1e-3
    least = math.hypot(witness.start.uncertainty_rad, 5e-3 / 3.0, 10e-3, of_gas)
    assert shown == pytest.approx(least, abs=7e-4)
    assert least > 10.3e-3


def test_light_that_left_early_widens_the_uncertainty_by_as_much_as_it_may_pull(
    heard: Heard,
) -> None:
    (witness,) = heard.witnesses
    arrived, tuning = heard.arrived, heard.arrived.tuning
    assert witness.pulled_rad(tuning, arrived.at) < 1e-3
    near = [
        arrived.at.at_spacing(arrived.at.spacing_m + float(up)) for up in np.linspace(0, 5e-3, 501)
    ]
    purity = np.median(tuning.belief.predict(near, most=100).purity, axis=0)
    certain = np.array([tuning.guess(setting)[1] > 0.995 for setting in near])
    mixed = int(np.argmin(np.where(certain, np.abs(purity - 0.8), np.inf)))
    # vectors of lengths 0.8 and 0.2: the sum is turned by at most arcsin 1/4 = 0.2527 rad
    assert purity[mixed] == pytest.approx(0.8, abs=0.03)
    assert witness.pulled_rad(tuning, near[mixed]) == pytest.approx(0.2527, abs=0.05)
    from_there = DelayWitness(replace(witness.start, setting=near[mixed]))
    hypotheses = hypotheses_at(tuning, arrived.at, arrived.weighing)
    piece = from_there.testify(tuning, arrived.at, hypotheses)
    assert piece is not None
    shown = float(re.findall(r"± (\d\.\d+) rad", piece.statement)[0])
    assert shown == pytest.approx(from_there.pulled_rad(tuning, arrived.at), rel=0.01)


def test_a_delay_meter_that_goes_away_is_as_if_there_were_none() -> None:
    clock = VirtualClock()
    simulated = SimulatedBench(WITH_DELAY, 103, clock)
    known = connector(simulated)
    cut: set[str] = set()
    told: list[str] = []

    def connect(address: str, line: Line) -> Transport:
        if address in cut:
            raise Disconnected(f"{address}: the plug is out")
        return CutLine(known(address, line), address, cut)

    with open_bench(WITH_DELAY, clock=clock, connect=connect) as bench:
        tuning = Tuning(
            bench,
            bench.setting,
            PASSES,
            lambda progress: told.append(progress.text),
            np.random.default_rng(0),
        )
        assert len(witnesses_at_start(tuning)) == 1
        cut.add(WITH_DELAY.devices["phase"].address)
        assert witnesses_at_start(tuning) == ()
        assert bench.read_power("all the same").power_w > 0.0
    assert any(text.startswith("no evidence from the delay") for text in told)


class CutLine:
    """A line to a simulated instrument whose plug may be out."""

    def __init__(self, line: Transport, address: str, cut: set[str]) -> None:
        self._line = line
        self._address = address
        self._cut = cut

    def write(self, message: bytes) -> None:
        self._check()
        self._line.write(message)

    def read_until(self, terminator: bytes, deadline: float) -> bytes:
        self._check()
        return self._line.read_until(terminator, deadline)

    def discard_input(self) -> int:
        self._check()
        return self._line.discard_input()

    def close(self) -> None:
        self._line.close()

    def _check(self) -> None:
        if self._address in self._cut:
            raise Disconnected(f"{self._address}: the plug is out")


def test_a_delay_meter_that_has_nothing_to_say_changes_nothing(heard: Heard) -> None:
    simulated = heard.arrived.simulated
    assert simulated.delay_meter is not None
    able = simulated.delay_meter.traits
    simulated.delay_meter.traits = dataclasses.replace(able, least_w=1.0)
    try:
        assert heard.pieces() == ()
        assert DelayWitness.at_start(heard.arrived.tuning) == ()
    finally:
        simulated.delay_meter.traits = able
    assert heard.proof(()) == heard.proof(())


def test_a_start_whose_pass_count_is_not_certain_is_no_reference(heard: Heard) -> None:
    (witness,) = heard.witnesses
    arrived, tuning = heard.arrived, heard.arrived.tuning
    assert witness.passes_at_start(tuning) == 6
    edge_m = tuning.plateau_around(arrived.at).high.value
    near = [arrived.at.at_spacing(edge_m + float(off)) for off in np.linspace(-1e-3, 1e-3, 2001)]
    shares = np.mean(tuning.belief.predict(near).passes == PASSES, axis=0)
    start = replace(witness.start, setting=near[int(np.argmin(np.abs(shares - 0.5)))])
    vague = DelayWitness(start)
    assert vague.passes_at_start(tuning) is None
    assert vague.testify(tuning, arrived.at, ()) is None


def test_an_axis_that_moved_meanwhile_is_no_missing_delay() -> None:
    with ExitStack() as stack:
        tuning, simulated = start_tuning(stack, bench_file=WITH_DELAY)
        simulated.axes["vertical"].place(1e-4)
        with pytest.raises(MotionError, match="vertical"):
            DelayWitness.at_start(tuning)


def test_a_bench_without_a_delay_meter_has_no_witness(arrived: Arrived) -> None:
    assert witnesses_at_start(arrived.tuning) == ()
    assert further_evidence(arrived.tuning, (), arrived.at, arrived.weighing) == ()


# another kind of witness through the same interface


@dataclass(frozen=True)
class LineDepth:
    """A known absorption line: its depth is α L (Beer and Lambert), known to a few per cent."""

    absorbance: float
    per_m: float
    relative_u: float

    def testify(
        self, tuning: Tuning, at: Setting, hypotheses: Sequence[Hypothesis]
    ) -> SecondOpinion | None:
        told = {
            h.passes: float(
                norm.logpdf(
                    self.absorbance, self.per_m * h.path_m.mean(), self.relative_u * self.absorbance
                )
            )
            for h in hypotheses
        }
        best = max(told, key=lambda passes: told[passes])
        return SecondOpinion(
            f"the line is as deep as {best} passes make it", best == tuning.passes, told
        )


@pytest.mark.parametrize(("passes", "holds"), [(PASSES, True), (32, False)])
def test_an_absorption_line_fits_the_same_interface(heard: Heard, passes: int, holds: bool) -> None:
    arrived = heard.arrived
    path_m = passes * arrived.at.spacing_m
    line: Witness = LineDepth(absorbance=0.02 * path_m, per_m=0.02, relative_u=0.03)
    pieces = further_evidence(
        arrived.tuning, (*heard.witnesses, line), arrived.at, arrived.weighing
    )
    assert [piece.holds for piece in pieces] == [True, holds]
    assert heard.proof(pieces).proved is holds


def test_pieces_add_up_and_may_turn_the_order_of_the_rivals() -> None:
    z = np.zeros(15)
    weighing = Weighing(62, z, (Alternative(56, 8.0, z), Alternative(68, 9.0, z)))
    one = SecondOpinion("", True, {62: -1.0, 56: -6.0, 68: -0.5})
    two = SecondOpinion("", True, {62: -2.0, 68: -1.0, 50: 0.0})
    seen = reweighed(weighing, (one, two))
    assert [(r.passes, r.log_odds) for r in seen.rivals] == [(68, 7.5), (56, 13.0)]
    assert reweighed(weighing, ()) == weighing

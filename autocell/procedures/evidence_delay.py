"""The delay reading as evidence: how long the path is, from the phase of modulated light.

Light whose intensity is modulated at f arrives later by ΔL/c when its path grows by ΔL, and its
phase by φ = 2π f ΔL/c. The zero of the meter is not known, so that a reading at the start, where
the belief knows the pass count, is the reference; and whole turns are not seen, so that pass counts
whose paths differ by a whole number of c/f look the same. Both are in the likelihood.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from autocell.belief.unknowns import FloatArray
from autocell.bench.phasing import wrapped
from autocell.errors import DeviceError, MotionError, ReadingError
from autocell.optics.absorption import SPEED_OF_LIGHT_M_PER_S
from autocell.procedures.evidence import Hypothesis, SecondOpinion, path_after
from autocell.procedures.tuning import Tuning
from autocell.reading import PhaseReading
from autocell.setting import Setting

_AGREES = 4.0
"""Standard uncertainties between reading and expectation from which they contradict each other."""

_TELLS_APART = 3.0
"""Log units by which a reading must favour one pass count for a sentence to say so."""

_CERTAIN_START = 0.99
"""Share of the belief that must agree on the pass count at the start."""

_MISTAKEN = 0.01
"""Share of readings that mean nothing at all, whatever the meter says of its noise: no single
reading may drown all others. [trade]"""

_INDEX = 2e-4
"""The gas in the cell makes the path longer than the mirrors do: n − 1 is between nothing and that
of air, 2.7e-4 at 1 atm [mem]; this is its root mean square, rounded up."""

_TURNS = np.arange(-3, 4)


def turned_rad(path_m: FloatArray | float, modulation_hz: float) -> FloatArray:
    """Phase, in rad and with whole turns, by which ``path_m`` more path lets modulated light lag:
    2π f ΔL/c."""
    return np.asarray(2.0 * np.pi * modulation_hz * np.asarray(path_m) / SPEED_OF_LIGHT_M_PER_S)


def log_likelihood(measured_rad: float, expected_rad: FloatArray, sigma_rad: float) -> float:
    """Log density of a phase, up to whole turns, when each of ``expected_rad`` (M,) is as likely.

    A normal distribution wrapped around the circle, with a uniform part for readings that mean
    nothing.
    """
    sigma_rad = min(sigma_rad, 2.0 * np.pi)  # by then it is uniform
    off = wrapped(measured_rad - expected_rad)[:, None] + 2.0 * np.pi * _TURNS
    normal = np.exp(-0.5 * (off / sigma_rad) ** 2).sum(axis=1) / (
        sigma_rad * math.sqrt(2.0 * np.pi)
    )
    uniform = 1.0 / (2.0 * np.pi)
    return math.log((1.0 - _MISTAKEN) * float(normal.mean()) + _MISTAKEN * uniform)


@dataclass(frozen=True)
class PhaseChange:
    """How a phase changed between two readings, rad, up to whole turns; with the standard
    uncertainty of all but the path."""

    measured_rad: float
    sigma_rad: float


class DelayWitness:
    """A delay meter that was read at the start of a run."""

    def __init__(self, start: PhaseReading) -> None:
        self.start = start

    @classmethod
    def at_start(cls, tuning: Tuning) -> tuple[DelayWitness, ...]:
        """Read where the bench stands: one witness, or none, ``()``, when the bench has no delay
        meter or that does not read."""
        if tuning.bench.description.delay_meter is None:
            return ()
        start = _read(tuning, "the delay at the start")
        return () if start is None else (cls(start),)

    def testify(
        self, tuning: Tuning, at: Setting, hypotheses: Sequence[Hypothesis]
    ) -> SecondOpinion | None:
        """Read again and compare the change of the phase with that of each hypothesis."""
        meter = tuning.bench.description.delay_meter
        before = self.passes_at_start(tuning)
        if before is None or meter is None:
            return None
        end = _read(tuning, f"the delay of {tuning.passes} passes")
        if end is None:
            return None
        expected = {
            hypothesis.passes: turned_rad(
                hypothesis.path_m - path_after(tuning, hypothesis.z, self.start.setting, before),
                meter.modulation_hz,
            )
            for hypothesis in hypotheses
        }
        sigma_rad = math.hypot(
            self.start.uncertainty_rad,
            end.uncertainty_rad,
            meter.systematic_rad,
            _INDEX * max(float(np.abs(turns).max()) for turns in expected.values()),
            self.pulled_rad(tuning, at),
        )
        change = PhaseChange(float(wrapped(end.phase_rad - self.start.phase_rad)), sigma_rad)
        return judge(tuning.passes, before, change, expected, meter.modulation_hz)

    def passes_at_start(self, tuning: Tuning) -> int | None:
        """The pass count at the start, by all that was read since; None when it is not certain."""
        passes, probability = tuning.guess(self.start.setting)
        if probability >= _CERTAIN_START and passes > 0:
            return passes
        tuning.tell(
            "delay",
            f"no evidence from the delay: {passes} passes at the start have a probability of only "
            f"{probability:.2f}",
        )
        return None

    def pulled_rad(self, tuning: Tuning, at: Setting) -> float:
        """By how much light that left with other passes may pull the phases at worst, rad.

        A vector of length ε at right angles to the sum turns one of length 1 − ε by arcsin
        ε/(1 − ε); when it is the longer one there is no telling.
        """
        purity = np.median(tuning.belief.predict((self.start.setting, at), most=100).purity, axis=0)
        other, main = 1.0 - purity, np.maximum(purity, 1e-9)
        return float(
            np.sum(np.where(other < main, np.arcsin(np.minimum(other / main, 1.0)), np.pi))
        )


def judge(
    passes: int,
    before: int,
    change: PhaseChange,
    expected_rad: Mapping[int, FloatArray],
    modulation_hz: float,
) -> SecondOpinion:
    """What a change of the phase says of ``passes`` and of every other pass count.

    ``expected_rad`` are the changes, whole turns included, (M,) equally likely ones for each pass
    count; ``before`` is the pass count at the start.
    """
    told = {
        count: log_likelihood(change.measured_rad, turns, change.sigma_rad)
        for count, turns in expected_rad.items()
    }
    ours = expected_rad[passes]
    mean_rad, spread_rad = float(np.mean(ours)), float(np.std(ours))
    room_rad = _AGREES * math.hypot(change.sigma_rad, spread_rad)
    agrees = abs(float(wrapped(change.measured_rad - mean_rad))) <= room_rad
    ahead = {count: told[passes] - other for count, other in told.items() if count != passes}
    statement = (
        f"delay at {1e-6 * modulation_hz:g} MHz: from {before} passes at the start the phase "
        f"changed by {change.measured_rad:.3f} ± {change.sigma_rad:.3f} rad, up to whole turns; "
        f"{passes} passes would change it by {float(wrapped(mean_rad)):.3f} ± {spread_rad:.3f} rad"
    )
    if not agrees:
        statement += ", which does not agree"
    statement += _listed("; it speaks against", [n for n, d in ahead.items() if d >= _TELLS_APART])
    alike = [n for n, d in ahead.items() if abs(d) < _TELLS_APART]
    statement += _listed(f"; it does not tell {passes} from", alike)
    statement += _listed("; it speaks for", [n for n, d in ahead.items() if d <= -_TELLS_APART])
    return SecondOpinion(statement, agrees, told)


def _listed(words: str, passes: list[int]) -> str:
    return f"{words} {', '.join(map(str, sorted(passes)))}" if passes else ""


def _read(tuning: Tuning, purpose: str) -> PhaseReading | None:
    """One phase; None, and told, when the meter has none to give."""
    tuning.tell("delay", f"reading {purpose}")
    try:
        return tuning.bench.read_phase(purpose)
    except MotionError:  # an axis moved: that concerns every reading, not this meter alone
        raise
    except (ReadingError, DeviceError) as error:
        tuning.tell("delay", f"no evidence from the delay: {error}")
        return None

"""Prove the pass count, or say what is missing."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import compress

import numpy as np

from autocell.belief.alternatives import Alternative, Weighing, weigh
from autocell.belief.next_reading import most_dividing
from autocell.belief.plateau import Spread
from autocell.belief.unknowns import FloatArray
from autocell.outcome import Evidence, Proof
from autocell.procedures.edges import Edge
from autocell.procedures.evidence import SecondOpinion, in_proof, reweighed
from autocell.procedures.tuning import READING_NOISE, Tuning
from autocell.reading import Reading
from autocell.setting import Setting

PROBABILITY_WANTED = 0.999
LOG_ODDS_WANTED = 6.0
MISFIT_ALLOWED = 5.0

_ENOUGH = 9.0
"""Log odds at which more readings against a rival are not worth their time."""

_FRINGES, _UNSTEADY = 0.003, 1.0
"""Share of the light that fringes add or take from one setting to the next [trade]; and standard
uncertainties beyond which the bench may have changed. Of 218 heights on 140 undisturbed benches
eleven were beyond one, which costs another look at the edges; a slip was once 1.8 off."""

_TRIES = 8

_APART, _BARELY = 0.7, 0.15
"""Standard uncertainties between two fits below which a reading would hardly tell them apart, and
below which not at all, even where the proof depends on it."""


@dataclass(frozen=True)
class Height:
    """The plateau's power: what was expected before the reading, the reading, and the first one of
    it, from ``before`` the edges were looked for, where there is one."""

    expected: Spread
    reading: Reading
    sigma_w: float
    """Standard uncertainty of the reading, model error included."""
    before: Reading | None = None

    @property
    def agrees(self) -> bool:
        """Whether the reading is within three standard deviations of what was expected."""
        room = 3.0 * math.hypot(self.expected.u, self.sigma_w)
        return abs(self.reading.power_w - self.expected.value) <= room

    @property
    def steady(self) -> bool:
        """Whether the light is what it was when the edges were looked for.

        A mirror that slipped meanwhile may show another pass count at nearly the same power: a
        spot that meets the hole early costs some passes and adds a few per cent. What the model may
        be wrong by is mostly the same for all readings on a plateau, so that far less room
        is needed here than to tell whether the height agrees. More of it asks for another look.
        """
        return self._as_expected or self._unchanged

    @property
    def _unchanged(self) -> bool:
        """Whether it reads what it read before the edges were looked for. Whatever the model is
        wrong by is then in both."""
        if self.before is None:
            return False
        twice = math.hypot(self.before.uncertainty_w, math.sqrt(2.0) * self._fringes_w)
        return self._within(self.before.power_w, twice)

    @property
    def _as_expected(self) -> bool:
        return self._within(self.expected.value, math.hypot(self.expected.u, self._fringes_w))

    @property
    def _fringes_w(self) -> float:
        return _FRINGES * abs(self.reading.power_w)

    def _within(self, power_w: float, u_w: float) -> bool:
        room = math.hypot(self.reading.uncertainty_w, u_w)
        return abs(self.reading.power_w - power_w) <= _UNSTEADY * room


def read_height(tuning: Tuning, at: Setting, before: Reading | None = None) -> Height:
    """Read on the plateau, having noted what to expect; ``before`` is the first reading there,
    from before its edges were looked for."""
    power, sigma = tuning.predicted_power((at,))
    expected = Spread.of(power[:, 0])
    reading = tuning.read_at(at, "prove", "reading the height of the plateau")
    return Height(expected, reading, float(np.median(sigma)), before)


def weigh_rivals(tuning: Tuning, at: Setting) -> Weighing:
    """The wanted pass count at a setting against every rival."""
    weighing = weigh(tuning.belief, at, tuning.passes, tuning.rng, tuning.weighed)
    tuning.weighed = weighing.fits
    return weighing


def question_rivals(tuning: Tuning, at: Setting) -> None:
    """Read where the closest rival differs most, until none is close any more."""
    for _ in range(_TRIES):
        weighing = weigh_rivals(tuning, at)
        if weighing.closest < _ENOUGH:
            rival = weighing.rivals[0]
            doubt = f"log odds {rival.log_odds:.1f} against it"
        else:
            dissent = dissenter(tuning, at)
            if dissent is None:
                return
            rival, share = dissent
            doubt = f"{100.0 * share:.1f} % of the model benches still have it"
        tuning.tell(
            "rivals",
            f"{rival.passes} passes would explain the readings nearly as well ({doubt})",
        )
        enough = _APART if weighing.closest >= LOG_ODDS_WANTED else _BARELY
        where = _where_they_differ(tuning, at, weighing.z, rival.z, enough)
        if where is None:
            return
        tuning.read_at(where, "rivals", f"reading where {rival.passes} passes would differ")
        tuning.telling.append(where)


def _where_they_differ(
    tuning: Tuning, at: Setting, ours: FloatArray, theirs: FloatArray, enough: float
) -> Setting | None:
    """Where to read to tell two benches apart: along the spacing if that does, else where they
    differ most; None where they nowhere differ ``enough``."""
    found = [(0.0, at)]
    for places in (_along_spacing(tuning), _around_beam(tuning, at)):
        candidates = list(compress(places, ~tuning.has_read_near(places)))
        if not candidates:
            continue
        chosen, apart = most_dividing(
            tuning.model, ours, theirs, tuning.belief.data, candidates, READING_NOISE
        )
        if apart >= _APART:
            return chosen
        found.append((apart, chosen))
    apart, chosen = max(found, key=lambda pair: pair[0])
    return chosen if apart >= enough else None


def _along_spacing(tuning: Tuning) -> list[Setting]:
    scan = tuning.scan()
    return scan.between(scan.low, scan.high, 1001)


def _around_beam(tuning: Tuning, at: Setting) -> list[Setting]:
    """Other input beams at this spacing, for what the spacing cannot decide."""
    beams = [tuning.scan(name, at) for name in tuning.bench.description.axes if name != "spacing"]
    return [setting for scan in beams for setting in scan.between(scan.low, scan.high, 121)]


def dissenter(tuning: Tuning, at: Setting) -> tuple[Alternative, float] | None:
    """The likeliest member with another pass count at a setting, and the share of its like.

    None when so few are left that the proof does not suffer.
    """
    passes = tuning.belief.predict((at,)).passes[:, 0]
    others = passes != tuning.passes
    share = float(np.mean(others))
    if share <= 0.25 * (1.0 - PROBABILITY_WANTED):
        return None
    best = int(np.flatnonzero(others)[np.argmax(tuning.belief.log_posterior[others])])
    z = tuning.belief.z[best]
    behind = float(tuning.belief.log_posterior.max() - tuning.belief.log_posterior[best])
    return Alternative(int(passes[best]), behind, z), share


def compile_proof(
    tuning: Tuning,
    at: Setting,
    height: Height,
    edges: Sequence[Edge],
    weighing: Weighing,
    further: Sequence[SecondOpinion] = (),
    misfit: float = 0.0,
) -> Proof:
    """All of the evidence at a setting; proved only if every piece holds.

    ``further`` is what was said beside the power; it counts in the odds of the rivals as well.
    ``misfit`` is the largest deviation, in standard uncertainties, of a reading since the edges
    were looked for from what the model benches say.
    """
    share = tuning.probability(at)
    weighing = reweighed(weighing, further)
    probability = share * weighing.probability_factor
    evidence = (
        Evidence(
            f"{tuning.passes} passes have a probability of {_shown(probability)} at "
            f"{1e3 * at.spacing_m:.3f} mm; {PROBABILITY_WANTED} is wanted",
            probability >= PROBABILITY_WANTED,
        ),
        _height_evidence(tuning, height),
        *(_edge_evidence(tuning, edge) for edge in edges),
        Evidence(
            "the readings since the edges were looked for are within "
            f"{misfit:.1f} standard uncertainties of the model benches; {MISFIT_ALLOWED:.0f} are "
            "allowed",
            misfit <= MISFIT_ALLOWED,
        ),
        _rival_evidence(weighing),
        *_left_out(tuning.belief.left),
        *in_proof(further),
    )
    alternatives = tuple((rival.passes, rival.log_odds) for rival in weighing.rivals)
    return Proof(all(piece.holds for piece in evidence), probability, evidence, alternatives)


def _shown(probability: float) -> str:
    """A probability without rounding it up to certainty."""
    millionths = min(math.floor(1e6 * probability), 999_999)
    return f"{millionths / 1e6:.6f}".rstrip("0").rstrip(".")


def _height_evidence(tuning: Tuning, height: Height) -> Evidence:
    reflectivity = float(np.median(tuning.model.reflectivity(tuning.belief.z)))
    step = reflectivity**6
    words = (
        f"plateau height {1e3 * height.reading.power_w:.4g} mW, expected "
        f"{1e3 * height.expected.value:.4g} ± {1e3 * height.expected.u:.2g} mW before it was read; "
        f"six passes more or fewer would change it by a factor {step:.3f}"
    )
    if height.before is not None:
        words += f"; {1e3 * height.before.power_w:.4g} mW before the edges were looked for"
    if height.agrees and not height.steady:
        words += "; something may have moved since the edges were looked for"
    return Evidence(words, height.agrees and height.steady)


def _edge_evidence(tuning: Tuning, edge: Edge) -> Evidence:
    if edge.beyond_reach:
        scan = tuning.scan()
        end = scan.low if edge.side == "low" else scan.high
        return Evidence(
            f"{edge.side} edge not located: it lies beyond the stage, which ends at "
            f"{1e3 * end:.2f} mm",
            False,
        )
    found, expected = edge.found, edge.expected
    if math.isnan(found.value):
        return Evidence(f"{edge.side} edge not located: no model bench has one nearby", False)
    words = (
        f"{edge.side} edge at {1e3 * found.value:.3f} ± {1e3 * found.u:.3f} mm, expected at "
        f"{1e3 * expected.value:.3f} ± {1e3 * expected.u:.3f} mm before it was looked for"
    )
    if not edge.located:
        words = f"{edge.side} edge not located sharply enough: {words.partition(' edge ')[2]}"
    elif not edge.as_expected:
        words += ", which does not agree"
    return Evidence(words, edge.as_expected)


def _left_out(readings: int) -> Sequence[Evidence]:
    if not readings:
        return ()
    words = f"the first {readings} readings are left out: the light changed after them"
    return (Evidence(words, True),)


def _rival_evidence(weighing: Weighing) -> Evidence:
    if not weighing.rivals:
        return Evidence("no other pass count can show at this setting at all", True)
    rival = weighing.rivals[0]
    return Evidence(
        f"the closest rival, {rival.passes} passes, explains the readings worse by "
        f"{rival.log_odds:.1f} log units; {LOG_ODDS_WANTED:.0f} are wanted",
        rival.log_odds >= LOG_ODDS_WANTED,
    )

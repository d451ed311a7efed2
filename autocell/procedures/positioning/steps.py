"""Learn from the light what a step backward of an open-loop axis does beside one forward.

Where the power changes along the axis, a way there and back that ends at the same power went as
far backward as forward, whatever its controller has counted. The ways get longer as more is known,
so that the light stays where it changes. How far a step forward goes is not learned here: the
belief has it as the scale of the axis.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from autocell.bench.bench import Bench
from autocell.bench.plan import trade
from autocell.description import AxisDescription, OpenLoopDescription
from autocell.errors import LimitError
from autocell.procedures.by_signal import Back, by_signal
from autocell.procedures.light_search import Light
from autocell.procedures.tuning import READING_NOISE
from autocell.reading import Reading

SHARE = 0.02
"""Of its range: the furthest that an axis goes to see the light change, and the longest way there
and back."""

_CHANGE = 0.06
"""Relative change of power that is enough to go by."""

_LOOPS = 8
_FINE = 0.004
"""Standard uncertainty of the ratio that is good enough, and better than which none is claimed:
steps change with load and temperature (common practice, no source)."""

_CONTRADICTION = 25.0
"""Mean square by which the ways miss one line, in their own uncertainties, beyond which they do not
agree on a ratio: up to 14 on nine benches at the edge of their light, and 33 or more with one
reading five percent low. [trade]"""


@dataclass(frozen=True)
class StepsLearned:
    """What the light told of the steps of one axis: ``backward`` over forward with its standard
    uncertainty, from ``loops`` ways there and back; None where it told none, and ``why_not``.
    ``back`` is how the axis came back to where it had stood."""

    axis: AxisDescription
    backward: float | None
    backward_u: float
    loops: int
    back: Back
    why_not: str = ""

    @property
    def holds(self) -> bool:
        """Whether it may be relied on: the light was the same before and after."""
        return self.backward is not None and self.back.as_before is True

    @property
    def finding(self) -> str:
        """In words."""
        if self.backward is None:
            return self.why_not
        told = (
            f"a step backward does {self.backward:.4f} ± {self.backward_u:.4f} of one forward, by "
            f"the light of {self.loops} ways there and back"
        )
        if not self.holds:
            told += "; not kept, since the light was not found again as it was before"
        return told


def learn_steps(bench: Bench, name: str, tell: Callable[[str], None]) -> StepsLearned:
    """Learn the steps of one open-loop axis where it stands, and bring it back by its light; what
    was learned is used from then on. The dark level has been measured.

    Raises as moving and reading do.
    """
    learning = _Learning(bench, name, tell)
    before = bench.read_power("what the steps do: where it stands", READING_NOISE)
    found = learning.carry_out(before)
    backward, u = (found.ratio, found.u) if found is not None else (None, math.inf)
    bench.move_axes({name: learning.home}, "back from learning the steps")
    back = by_signal(bench, bench.setting, Light.of(before), "the start")
    return StepsLearned(learning.axis, backward, u, learning.loops, back, learning.why_not)


@dataclass(frozen=True)
class _Way:
    """How far an axis went forward and backward between two readings, m or rad by its count, and
    by how much the power changed, W."""

    forward: float
    backward: float
    change_w: float
    u_w: float


@dataclass(frozen=True)
class _Fit:
    """The ratio that fits all ways best, its standard uncertainty, and the mean square by which
    they miss it, in their own uncertainties."""

    ratio: float
    u: float
    misfit: float


class _Learning:
    """One axis while its steps are learned."""

    def __init__(self, bench: Bench, name: str, tell: Callable[[str], None]) -> None:
        steps = bench.description.axes[name].open_loop
        if steps is None:
            raise ValueError(f"{name} is no open-loop axis")
        bench.open_loop.settle(name)
        self.axis = bench.description.axes[name]
        self.home = bench.positions()[name]
        self.loops = 0
        self.why_not = ""
        self._bench = bench
        self._steps: OpenLoopDescription = steps
        self._tell = tell
        self._ways: list[_Way] = []

    def carry_out(self, before: Reading) -> _Fit | None:
        """What the light tells of the ratio; None, and why not, where it is too flat or contradicts
        itself or the bench file. Then the steps are believed to do what they were before."""
        here, reach = self._probe(before)
        if reach is None:
            self.why_not = (
                f"the light changes too little along {self.axis.name} within "
                f"{trade(self.axis, SHARE * (self.axis.high - self.axis.low))} to tell what its "
                "steps do; jog it to where the power begins to fall, and check it there"
            )
            return None
        found = self._go_there_and_back(before, here, reach)
        self.why_not = self._refused(found)
        if not self.why_not:
            return found
        steps = self._steps
        self._bench.open_loop.relearn(self.axis.name, steps.backward, steps.backward_u)
        return None

    def _go_there_and_back(self, before: Reading, here: Reading, reach: float) -> _Fit | None:
        """Until the ratio is known well enough, or the ways contradict each other; None where the
        limits leave no room for one way."""
        bench, name = self._bench, self.axis.name
        longest = SHARE * (self.axis.high - self.axis.low)
        outward = -1.0 if self.home > 0.5 * (self.axis.low + self.axis.high) else 1.0
        found = None
        while self.loops < _LOOPS and (found is None or found.u > _FINE):
            at = bench.positions()[name]
            self._tell(f"{name}: there and back by {trade(self.axis, reach)}")
            try:
                here = self._go(here, at + outward * reach, at)
            except LimitError:
                break
            self.loops += 1
            found = self._fit()
            if found.misfit > _CONTRADICTION:
                break
            self._go_by(found)
            here = self._stay_on_the_slope(here, before)
            reach = min(1.6 * reach, longest)
        return found

    def _go_by(self, found: _Fit) -> None:
        """Use what is known so far. The first ways tell little, but no step does more or less than
        its tolerance."""
        low, high = self._steps.ratios
        within = min(max(found.ratio, low), high)
        u = math.hypot(found.u, found.ratio - within)
        self._bench.open_loop.relearn(self.axis.name, within, u)

    def _refused(self, found: _Fit | None) -> str:
        """Why this is not to be believed; empty when it is."""
        if found is None:
            return (
                f"{self.axis.name} has no room within its limits to go there and back; jog it away "
                "from its end, and check it there"
            )
        if found.misfit > _CONTRADICTION:
            return (
                f"the light of {self.loops} ways there and back contradicts itself, so that "
                "nothing is learned of the steps; look whether the laser is steady, and check again"
            )
        low, high = self._steps.ratios
        if not low <= found.ratio <= high:
            return (
                f"by the light a step backward would do {found.ratio:.4f} ± {found.u:.4f} of one "
                f"forward, and the bench file allows {low:.4f} to {high:.4f}, so that nothing is "
                "learned; look whether the laser is steady, and at gain_tolerance_percent"
            )
        return ""

    def _probe(self, before: Reading) -> tuple[Reading, float | None]:
        """Go forward until the light has changed; the reading there, and how far that was."""
        longest = SHARE * (self.axis.high - self.axis.low)
        reach = min(max(20.0 * self.axis.repeatability, 0.05 * longest), longest)
        here = before
        while True:
            here = self._go(here, self.home + reach)
            change_w = abs(here.power_w - before.power_w)
            if change_w > max(_CHANGE * before.power_w, 20.0 * before.uncertainty_w):
                return here, reach
            if reach >= longest:
                return here, None
            reach = min(2.0 * reach, longest)

    def _stay_on_the_slope(self, here: Reading, middle: Reading) -> Reading:
        """Where the light has wandered off, bring it half back to where it changes."""
        slope = self._slope()
        off_w = here.power_w - middle.power_w
        if abs(off_w) < 2.0 * _CHANGE * middle.power_w or slope == 0.0:
            return here
        at = self._bench.positions()[self.axis.name]
        return self._go(here, at - 0.5 * off_w / slope)

    def _go(self, before: Reading, *targets: float) -> Reading:
        """Go to these positions and read; the way is kept."""
        bench, name = self._bench, self.axis.name
        began = bench.open_loop.state(name)
        for target in targets:
            bench.move_axes({name: target}, "learning the steps")
        reading = bench.read_power("what the steps do", READING_NOISE)
        ended = bench.open_loop.state(name)
        backward = ended.backward - began.backward
        forward = ended.position - began.position + bench.open_loop.steps(name).backward * backward
        u_w = math.hypot(
            before.uncertainty_w, reading.uncertainty_w, 0.5 * READING_NOISE * before.power_w
        )
        self._ways.append(_Way(forward, backward, reading.power_w - before.power_w, u_w))
        return reading

    def _slope(self) -> float:
        ways = np.array([(way.forward, way.backward, way.change_w) for way in self._ways])
        net = ways[:, 0] - self._bench.open_loop.steps(self.axis.name).backward * ways[:, 1]
        return float(net @ ways[:, 2] / max(net @ net, 1e-30))

    def _fit(self) -> _Fit:
        """ΔP = s F − s r B by least squares over all ways.

        A way scatters by its steps as √n and by its dead steps. The file's own word on r counts as
        one more observation, so that it is defined from the first way on.
        """
        steps, slope = self._steps, self._slope()
        rows, values = [], []
        for way in self._ways:
            count = way.forward + way.backward
            scatter = steps.scatter * math.sqrt(max(count, 0.0) * steps.step)
            sigma = math.hypot(way.u_w, slope * scatter, slope * steps.dead_steps_u * steps.step)
            rows.append((way.forward / sigma, -way.backward / sigma))
            values.append(way.change_w / sigma)
        # r = q/s is what the file says, within its tolerance: q − r₀ s = 0 ± |s| u
        prior = max(abs(slope) * steps.backward_u, 1e-30)
        rows.append((-steps.backward / prior, 1.0 / prior))
        values.append(0.0)
        matrix = np.array(rows)
        (s, q), *_ = np.linalg.lstsq(matrix, np.array(values), rcond=None)
        missed = matrix @ np.array([s, q]) - np.array(values)
        misfit = float(missed @ missed) / max(len(values) - 2, 1)
        covariance = np.linalg.inv(matrix.T @ matrix) * max(1.0, misfit)
        ratio = float(q / s)
        by = np.array([-ratio / s, 1.0 / s])
        u = math.sqrt(float(by @ covariance @ by))
        return _Fit(ratio, max(u, _FINE), misfit)

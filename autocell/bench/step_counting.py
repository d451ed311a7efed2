"""Where an axis is believed to be that counts its steps and sees nothing of what comes of them.

The count is all that its controller knows, and steps of both directions differ. So the count is
weighed: a step backward with what it does beside one forward, the dead steps of each reversal left
out. What that may be wrong by grows with the travel; only the light makes it less.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from autocell.bench.protocols import Axis, ReportsLimits, ReportsReference, SendsStop
from autocell.description import OpenLoopDescription


@dataclass(frozen=True)
class StepState:
    """What is believed of an axis at rest; m or rad, counts in the same units.

    ``travel`` and ``backward`` are all its way and that backward, by its count, since it was
    known with no more doubt than ``u_known``. ``dead`` is what is left of the dead steps after its
    last reversal.
    """

    count: float
    position: float
    u_known: float = 0.0
    forward: bool = True
    dead: float = 0.0
    travel: float = 0.0
    backward: float = 0.0

    @classmethod
    def at(cls, count: float) -> StepState:
        """An axis of which nothing but its count is known."""
        return cls(count, count)

    def after(self, count: float, steps: OpenLoopDescription) -> StepState:
        """The same axis when it counts ``count``, having gone there in one direction; less than
        half a step is no motion."""
        way = abs(count - self.count)
        if way < 0.5 * steps.step:
            return self
        forward = count > self.count
        dead = self._dead(forward, steps)
        going = max(way - dead, 0.0)
        return replace(
            self,
            count=count,
            position=self.position + (going if forward else -steps.backward * going),
            forward=forward,
            dead=max(dead - way, 0.0),
            travel=self.travel + way,
            backward=self.backward + (0.0 if forward else going),
        )

    def without_doubt(self) -> StepState:
        """The same place, known."""
        return replace(self, u_known=0.0, travel=0.0, backward=0.0)

    def count_for(self, position: float, steps: OpenLoopDescription) -> float:
        """What it will count when it is at ``position``, gone to in one direction."""
        way = position - self.position
        if way == 0.0:
            return self.count
        dead = self._dead(way > 0.0, steps)
        return self.count + (way + dead if way > 0.0 else way / steps.backward - dead)

    def u(self, steps: OpenLoopDescription) -> float:
        """Standard uncertainty of the position, m or rad, as a place on the scale of steps forward.

        An error of the ratio adds up with every step backward, the scatter of n steps as √n.
        """
        if self.travel == 0.0:
            return self.u_known
        scatter = steps.scatter * math.sqrt(self.travel * steps.step)
        dead = steps.dead_steps_u * steps.step
        return math.hypot(self.u_known, steps.backward_u * self.backward, scatter, dead)

    def may_miss(self, position: float, steps: OpenLoopDescription) -> float:
        """By how much its steps may overshoot ``position`` when it is sent there, m or rad, all of
        them as large as the bench file allows, and none dead of those that are sent as such."""
        way = position - self.position
        if way == 0.0:
            return 0.0
        dead = (1.0 + steps.gain_tolerance) * self._dead(way > 0.0, steps)
        return steps.gain_tolerance * abs(way) + dead

    def settled(self, steps: OpenLoopDescription) -> StepState:
        """The same place with the same doubt, whatever may be learned of the steps that led there:
        because the light tells where it is, or because it is only compared with itself."""
        return replace(self, u_known=self.u(steps), travel=0.0, backward=0.0)

    def _dead(self, forward: bool, steps: OpenLoopDescription) -> float:
        return self.dead if forward == self.forward else steps.dead_steps * steps.step


class StepCounter:
    """An open-loop axis by its position instead of its count, for guard and motion."""

    def __init__(self, axis: Axis, steps: OpenLoopDescription) -> None:
        self.steps = steps
        self.travel = axis.limits() if isinstance(axis, ReportsLimits) else None
        """Lowest and highest count that the controller allows, where it tells."""
        self._axis = axis
        self._count = axis.position()
        self._state = StepState.at(self._count)

    @property
    def name(self) -> str:
        """As the bench file calls it."""
        return self._axis.name

    @property
    def state(self) -> StepState:
        """What was believed of it when it last came to rest."""
        return self._state

    def position(self) -> float:
        """Where it is believed to be now, m or rad."""
        self._count = self._axis.position()
        return self._state.after(self._count, self.steps).position

    def start_move(self, target: float) -> None:
        """Send it by as many steps as should bring it to ``target`` from where it was last read:
        a question here could keep the move until after a stop."""
        self._state = self._state.after(self._count, self.steps)
        self._axis.start_move(self._state.count_for(target, self.steps))

    def moving(self) -> bool:
        """Whether the controller reports motion."""
        return self._axis.moving()

    def send_stop(self) -> None:
        """Send a stop and wait for no answer, where its driver can do that."""
        if isinstance(self._axis, SendsStop):
            self._axis.send_stop()

    def stop(self) -> None:
        """Stop at once."""
        self._axis.stop()

    def rested(self) -> StepState:
        """It has come to rest where it was last read; what is believed of it from now on."""
        self._state = self._state.after(self._count, self.steps)
        return self._state

    def recall(self, state: StepState) -> None:
        """Go on from what was believed of it before, wherever it was counted to since."""
        self._state = state.after(self._count, self.steps)

    def relearn(self, backward: float, u: float) -> StepState:
        """Believe that a step backward does ``backward`` of one forward, with this standard
        uncertainty: of all that it has gone backward since it was known, too."""
        self.rested()
        gone = self._state.backward * (self.steps.backward - backward)
        self._state = replace(self._state, position=self._state.position + gone)
        self.steps = replace(self.steps, backward=backward, backward_u=u)
        return self._state

    def settled(self) -> StepState:
        """Keep its place whatever may be learned of the steps that led there."""
        self._state = self.rested().settled(self.steps)
        return self._state

    def take_as_read(self) -> StepState:
        """Believe without a doubt that it is where it reads, because somebody says so."""
        self._state = self.rested().without_doubt()
        return self._state

    def take_for(self, position: float) -> StepState:
        """Believe that it is at ``position``, because the light says so: more uncertain than before
        by what both tell differently, since other places may have the same light."""
        here = self.settled()
        u = math.hypot(here.u_known, position - here.position)
        self._state = replace(here, position=position, u_known=u)
        return self._state

    def in_count_limits(self, position: float) -> bool:
        """Whether its controller would count no further than it allows."""
        count = self._state.count_for(position, self.steps)
        return self.travel is None or self.travel[0] <= count <= self.travel[1]


class ReferencedStepCounter(StepCounter):
    """One whose controller knows whether it has found its reference."""

    def __init__(self, axis: Axis, steps: OpenLoopDescription, reference: ReportsReference) -> None:
        super().__init__(axis, steps)
        self._reference = reference

    def referenced(self) -> bool:
        """Whether its count means anything."""
        return self._reference.referenced()


def counting_steps(axis: Axis, steps: OpenLoopDescription | None) -> Axis:
    """The axis itself, or an open-loop one by its position. Raises DeviceError."""
    if steps is None:
        return axis
    if isinstance(axis, ReportsReference):
        return ReferencedStepCounter(axis, steps, axis)
    return StepCounter(axis, steps)

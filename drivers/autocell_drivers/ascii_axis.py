"""An axis of a motion controller that talks ASCII.

A line may lose replies and a motor must not move twice for it: a move is sent once, and when its
acknowledgement does not come the controller is asked what it is doing before anything else.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from autocell.errors import BadReply, Disconnected, LimitError, NoReply, Refused
from autocell_drivers.ascii_codec import Status, WireUnits
from autocell_drivers.ascii_controller import AsciiController
from autocell_drivers.dialect import Dialect, Phrase


class AsciiAxis:
    """One axis of a controller."""

    def __init__(
        self,
        name: str,
        channel: int,
        units: WireUnits,
        section: Mapping[str, Any],
        controller: AsciiController,
    ) -> None:
        self._name = name
        self._wire = controller.codec.axis_name(channel)
        self._units = units
        self._controller = controller
        self._close_enough = units.resolution + 3.0 * _repeatability(section)
        self._position: float | None = None
        self._heading = 0.0
        self._accepted_at: float | None = None
        self._motion_seen = False
        self._was_referenced = False

    @property
    def name(self) -> str:
        """As the bench file calls it."""
        return self._name

    def position(self) -> float:
        """Where the controller says the axis is, m or rad."""
        query = self._controller.dialect.position
        self._position = self._units.to_si(
            self._controller.number(query, "position", axis=self._wire)
        )
        return self._position

    def start_move(self, target: float) -> None:
        """Ask for a move to a target (m or rad); returns once the controller has accepted it.

        A controller without absolute moves is sent the way from where it says that it is. When no
        acknowledgement comes the move may have been accepted all the same, so the axis is asked;
        only one that stands still elsewhere is sent the move a second time, and not even that when
        the line was gone: the controller may have been switched off and count from elsewhere. What
        was refused is sent once more. A relative move is never sent twice: it would go twice as far
        if the first was only late.

        Raises LimitError for a target that is no number, Refused when the controller says no,
        NoReply, BadReply or Disconnected when the move may not have been accepted.
        """
        if not math.isfinite(target):
            raise LimitError(f"axis {self._name}: target {target} is no position; nothing was sent")
        start = self.position() if self._position is None else self._position
        self._heading = math.copysign(1.0, (target - start) * self._units.per_si)
        self._motion_seen = False
        move, fields = self._move(target)
        is_relative = self._controller.dialect.move_to is None
        try:
            self._controller.once(move, **fields)
        except Refused as refusal:
            if is_relative:
                raise
            # Perhaps it heard something else: few lines notice a flipped bit. What it refuses twice
            # it means.
            self._once_more(move, fields, refusal)
        except (NoReply, BadReply):
            if not self._under_way(target):
                if is_relative:
                    raise
                self._controller.once(move, **fields)
        except Disconnected:
            if not self._under_way(target):
                raise
        self._accepted_at = self._controller.clock.now()

    def moving(self) -> bool:
        """Whether the axis is on its way.

        True also for as long after an accepted move as the moving bit may lag, unless motion was
        seen and has ended. Raises Refused when the controller reports a fault, a limit switch
        that the axis is not leaving, or that it has lost its reference since it was opened.
        """
        asked_at = self._controller.clock.now()  # the answer may have been long on its way
        status = self._controller.status(self._wire)
        if self._complaint(status) is not None:  # not every line notices a flipped bit
            status = self._controller.status(self._wire)
        self._check(status)
        self._motion_seen |= status.moving
        if status.moving or self._motion_seen or self._accepted_at is None:
            return status.moving
        return asked_at < self._accepted_at + self._lag_s

    def send_stop(self) -> None:
        """Send a stop and wait for no answer: :meth:`stop` sees to it."""
        self._accepted_at = None
        self._controller.send_stop(self._wire)

    def stop(self) -> None:
        """Stop at once and forget any move. Valid in every state."""
        self._accepted_at = None
        self._controller.stop(self._wire)

    def home(self) -> None:
        """Start the search for the reference; ``moving`` tells when it has ended.

        No procedure does: a search runs over the travel, and is for somebody who has looked at
        the bench to start.
        """
        if self._controller.dialect.home is None:
            raise Refused(
                f"axis {self._name}: the dialect {self._controller.dialect.name} has no home"
            )
        self._was_referenced = False
        self._motion_seen = False
        self._controller.once(self._controller.dialect.home, axis=self._wire)
        self._accepted_at = self._controller.clock.now()

    def describe(self) -> str:
        """The axis as it stands, for ``check``. Raises Refused when the controller has none."""
        status = self._controller.status(self._wire)
        self._was_referenced = bool(status.referenced)
        known = {True: "referenced", False: "not referenced", None: "tells no reference"}
        return f"axis {self._name} ({self._wire}): {known[status.referenced]}"

    @property
    def _lag_s(self) -> float:
        return self._controller.dialect.moving_bit_lag_ms / 1000.0

    def _move(self, target: float) -> tuple[Phrase, dict[str, str]]:
        """The phrase that moves the axis to a target, and what to fill in."""
        dialect = self._controller.dialect
        if dialect.move_to is not None:
            return dialect.move_to, {"axis": self._wire, "target": self._units.to_wire(target)}
        assert dialect.move_by is not None  # a dialect has one or the other
        # asked anew: an axis that was stopped, or turned by hand, is not where it was
        amount = self._units.amount_to_wire(target - self.position())
        return dialect.move_by, {"axis": self._wire, "amount": amount}

    def _once_more(self, move: Phrase, fields: Mapping[str, str], refusal: Refused) -> None:
        """Send again what was refused. Should it be refused for another reason, the first is told
        as well: an axis that has moved all the same says of the second only that it is busy."""
        try:
            self._controller.once(move, **fields)
        except Refused as again:
            if str(again) == str(refusal):
                raise
            raise Refused(f"{refusal}; sent once more: {again}") from again

    def _under_way(self, target: float) -> bool:
        """Whether a move that was not acknowledged has been accepted all the same."""
        if self._controller.status(self._wire).moving:
            return True
        self._controller.clock.sleep(self._lag_s)
        if self._controller.status(self._wire).moving:
            return True
        return abs(self.position() - target) <= self._close_enough

    def _check(self, status: Status) -> None:
        if (complaint := self._complaint(status)) is not None:
            raise Refused(f"axis {self._name} ({self._wire}) {complaint}")
        self._was_referenced |= bool(status.referenced)

    def _complaint(self, status: Status) -> str | None:
        if status.fault:
            return "is in fault; clear the fault at the controller, then home it"
        if status.low_limit and self._heading <= 0.0:
            return "is on its low limit switch; find out why before moving it away"
        if status.high_limit and self._heading >= 0.0:
            return "is on its high limit switch; find out why before moving it away"
        if self._was_referenced and status.referenced is False:
            return (
                "has lost its reference, as after a power cycle; its position means nothing until "
                "it is homed"
            )
        return None


class _TellsLimits(AsciiAxis):
    def limits(self) -> tuple[float, float]:
        """The travel limits of the controller, low then high, m or rad."""
        query = self._controller.dialect.limits
        assert query is not None
        low, high = (
            self._units.to_si(self._controller.number(query, end, axis=self._wire))
            for end in ("low", "high")
        )
        return min(low, high), max(low, high)


class _TellsReference(AsciiAxis):
    def referenced(self) -> bool:
        """Whether the axis has found its reference since power came on."""
        return bool(self._controller.status(self._wire).referenced)


class _TellsBoth(_TellsLimits, _TellsReference):
    pass


def axis_kind(dialect: Dialect) -> type[AsciiAxis]:
    """What an axis can tell is part of its type, as the bench asks for it."""
    tells_reference = "referenced" in dialect.status_flags()
    if dialect.limits is None:
        return _TellsReference if tells_reference else AsciiAxis
    return _TellsBoth if tells_reference else _TellsLimits


def _repeatability(section: Mapping[str, Any]) -> float:
    value = section.get("repeatability_mm", section.get("repeatability_mrad", 0.0))
    return float(value) / 1e3

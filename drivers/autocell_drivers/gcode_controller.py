"""A G-code controller on one line: what it is asked, and how its one planner is shared by axes."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from autocell.bench.protocols import Clock, Transport, Troubles
from autocell.errors import BadReply, Disconnected, NoReply, Refused, WrongIdentity
from autocell_drivers import gcode_codec as codec
from autocell_drivers.exchange import Exchange, Manners

_REPLY_S = 0.3
_BOOT_ATTEMPTS = 4
_POLL_S = 0.01
_BRAKING_S = 3.0
"""How long an axis may brake before the controller is reset."""


@dataclass(frozen=True)
class Target:
    """Where an axis was sent, and how fast it may go there; mm or degrees, and per second."""

    position: float
    speed: float


class GcodeController:
    """One controller. Its moves are jogs: they start from rest, and a cancelled one is forgotten.

    All axes share one planner, which makes one move after the other. So that axes that are sent
    one after the other still travel together, a move under way is cancelled, braking as it should,
    and goes on as one with the next.
    """

    def __init__(self, transport: Transport, clock: Clock) -> None:
        self._transport = transport
        self._clock = clock
        self._exchange = Exchange(
            transport,
            clock,
            Manners(b"\n", b"\r\n", _REPLY_S),
            greeting=codec.PARSER_STATE,
            recognise=codec.parser_state(),
        )
        self._targets: dict[str, Target] = {}
        self._going: set[str] = set()
        self.build = self._meet()
        self.settings = self._exchange.ask(codec.SETTINGS, codec.settings())
        self._exchange.on_return(self._check_identity)

    @property
    def notes(self) -> tuple[str, ...]:
        """When the line was gone."""
        return self._exchange.notes

    @property
    def troubles(self) -> Troubles:
        """What went wrong on its line so far."""
        return self._exchange.troubles

    def report(self) -> codec.Report:
        """The state and where the axes are. Raises Refused for an alarm that is told just now."""
        return self._exchange.ask(codec.STATUS, codec.report)

    def start(self, letter: str, target: Target) -> None:
        """Send an axis somewhere, together with those that are still under way.

        Raises Refused when the controller says no or is busy with what was not asked of it here;
        NoReply, BadReply or Disconnected when the move may not have been accepted.
        """
        report = self.report()
        left = self._left_to_go(report)
        if report.moves:
            if letter in left or not self._going or report.state != "Jog":
                raise Refused(f"the controller is busy ({report.state}); wait for it, or stop it")
            report = self._rest()
        self._targets[letter] = target
        going = {**left, letter: target}
        self._going = set(going)
        line = codec.jog(
            {name: sent.position for name, sent in going.items()},
            60.0 * _feed(report.positions, going),
        )
        try:
            self._exchange.once(line, codec.done)
        except (NoReply, BadReply):
            if not self._accepted():
                self._exchange.once(line, codec.done)
        except Disconnected:
            if not self._accepted():
                raise

    def under_way(self, report: codec.Report, letter: str) -> bool:
        """Whether this axis has still to go, by a report that says that something moves."""
        if self._going and letter not in self._going:
            return False
        if self._going == {letter}:
            return True
        return self._is_elsewhere(report, letter)

    def stop(self) -> None:
        """Stop every axis and forget every move, whatever the controller is doing.

        A jog ends by its cancelling, and nothing is lost. A program that somebody else has sent is
        held, then forgotten by a reset. Homing, whatever goes on all the same, and a controller
        that does not answer are reset at once: that loses the position, and leaves an alarm.
        Raises NoReply or Disconnected when it does not answer even then.
        """
        self._targets, self._going = {}, set()
        self._exchange.shout(codec.CANCEL_JOG)
        try:
            report = self._exchange.once(codec.STATUS, codec.report)
        except Refused:
            return  # in alarm: nothing moves
        except (NoReply, BadReply):
            self._exchange.shout(codec.HOLD)
            self._reset()
            return
        assert report is not None
        if report.state == "Run":
            self._exchange.shout(codec.HOLD)
        if report.state in ("Run", "Jog", "Hold"):
            report = self._braked(report)
        if report.moves or report.state == "Hold":
            self._reset()

    def close(self) -> None:
        """Let go of the line."""
        self._transport.close()

    def _meet(self) -> codec.Build:
        """Who is there. Opening the port resets many boards, which then take a while to start."""
        for _ in range(_BOOT_ATTEMPTS - 1):
            try:
                self._exchange.greet()
                break
            except NoReply:
                continue
        else:
            self._exchange.greet()
        return self._exchange.ask(codec.BUILD, codec.build())

    def _check_identity(self) -> None:
        try:
            found = self._exchange.ask(codec.BUILD, codec.build())
            settings = self._exchange.ask(codec.SETTINGS, codec.settings())
        except Refused:
            return  # it moves, and tells neither before it rests: its address has to do
        if found != self.build:
            raise WrongIdentity(
                f"the controller was {self.build.version!r}, and is {found.version!r} now"
            )
        changed = [f"${key}" for key, value in self.settings.items() if settings.get(key) != value]
        if changed:
            raise Refused(f"the controller's settings {', '.join(changed)} are not as they were")

    def _rest(self) -> codec.Report:
        """Cancel the move under way and wait until nothing moves."""
        self._exchange.shout(codec.CANCEL_JOG)
        report = self._braked(self.report())
        if report.moves:
            raise Refused(f"the controller goes on ({report.state}) though it was told to stop")
        return report

    def _braked(self, report: codec.Report) -> codec.Report:
        """Wait while axes brake; the last report, perhaps of one that does not."""
        deadline = self._clock.now() + _BRAKING_S
        while report.moves and self._clock.now() < deadline:
            self._clock.sleep(_POLL_S)
            report = self.report()
        return report

    def _reset(self) -> None:
        self._exchange.shout(codec.RESET)
        self._exchange.greet()

    def _left_to_go(self, report: codec.Report) -> dict[str, Target]:
        if not report.moves:
            return {}
        return {name: sent for name, sent in self._targets.items() if self.under_way(report, name)}

    def _accepted(self) -> bool:
        """Whether a move that was not acknowledged has been accepted all the same."""
        report = self.report()
        return report.moves or not any(self._is_elsewhere(report, name) for name in self._going)

    def _is_elsewhere(self, report: codec.Report, letter: str) -> bool:
        """Whether an axis is not where it was sent, as near as whole steps and digits come."""
        sent = self._targets.get(letter)
        per_unit = self.settings.get(100 + codec.LETTERS.index(letter), 0.0)
        half_step = 0.5 / per_unit if per_unit > 0.0 else 0.0
        near = half_step + 0.6 * 10.0**-codec.DECIMALS
        return sent is None or abs(report.positions[letter] - sent.position) > near


def _feed(positions: Mapping[str, float], targets: Mapping[str, Target]) -> float:
    """Speed along the path, so that no axis is faster than it may be."""
    ways = {name: abs(sent.position - positions[name]) for name, sent in targets.items()}
    takes_s = max(ways[name] / sent.speed for name, sent in targets.items())
    slowest = min(sent.speed for sent in targets.values())
    return math.hypot(*ways.values()) / takes_s if takes_s > 0.0 else slowest

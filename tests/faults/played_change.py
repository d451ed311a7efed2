"""A change that is made once, then asked for again on lines that can fail at any call."""

from __future__ import annotations

import functools
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any
from unittest import mock

import numpy as np
from autocell_drivers.dialect import load_dialect
from autocell_simulators.bench import SimulatedBench
from autocell_simulators.faults.scenario import Scenario
from autocell_simulators.inprocess import connector
from autocell_simulators.rehearsal.every_fault import named_by_serial_number

from autocell.bench import opening
from autocell.bench.bench import Bench
from autocell.bench.clock import VirtualClock
from autocell.bench.file import load, shipped
from autocell.bench.opening import open_bench
from autocell.bench.protocols import Connect, Line, Transport
from autocell.errors import AutocellError
from autocell.outcome import Outcome
from autocell.procedures import change
from autocell.procedures.change import change_passes
from autocell.reading import Reading
from autocell.session.conduct import outcome_of
from tests.bench.conftest import MemoryJournal

_AWAY_S = 2.0
_SIGMA = 6.0
_NOTHING_HAPPENS = Scenario()
_OF_THE_BENCH = ("move_to", "move_axes", "read_power", "measure_dark", "positions", "plan")

Ask = tuple[str, tuple[Any, ...], dict[str, Any]]


class _Asked:
    """A bench that writes down what is asked of it."""

    def __init__(self, bench: Bench, asked: list[Ask]) -> None:
        self._bench, self._asked = bench, asked

    @property
    def setting(self) -> Any:
        self._asked.append(("setting", (), {}))
        return self._bench.setting

    def __getattr__(self, name: str) -> Any:
        found = getattr(self._bench, name)
        if name not in _OF_THE_BENCH:
            return found

        def ask(*arguments: Any, **options: Any) -> Any:
            self._asked.append((name, arguments, options))
            return found(*arguments, **options)

        return ask


@dataclass
class Script:
    """What a change asked, and what came of it."""

    asked: list[Ask] = field(default_factory=list)
    outcome: Outcome | None = None

    @contextmanager
    def written(self) -> Iterator[None]:
        """Within this a change is made as always, and written down."""
        reach = change._reach

        def watched(tuning: Any, pattern: Any, way: Any) -> Outcome:
            tuning.bench = _Asked(tuning.bench, self.asked)
            self.outcome = reach(tuning, pattern, way)
            return self.outcome

        with mock.patch.object(change, "_reach", watched):
            yield

    @contextmanager
    def played(self) -> Iterator[None]:
        """Within this a change asks the same again, and comes to the same if nothing hinders it."""

        def again(tuning: Any, _pattern: Any, _way: Any) -> Outcome:
            for name, arguments, options in self.asked:
                found = getattr(tuning.bench, name)
                if name != "setting":
                    found(*arguments, **options)
            assert self.outcome is not None
            return self.outcome

        with mock.patch.object(change, "_reach", again):
            yield


class World:
    """A bench, simulated, and one change on it; ``at`` is told of each call on its lines. Before
    the change ``more`` readings are taken, so that the others have other noise."""

    def __init__(
        self,
        passes: int,
        seed: int,
        at: Callable[[World, str, str, bytes], None],
        scenario: Scenario = _NOTHING_HAPPENS,
        more: int = 0,
    ) -> None:
        self.passes, self._at = passes, at
        self.clock = VirtualClock()
        self.journal = MemoryJournal()
        self.simulated = SimulatedBench(
            named_by_serial_number(load(shipped("peat-bog"))), seed, self.clock, scenario=scenario
        )
        self._more = more
        self.took_s = 0.0
        self.untrue: list[str] = []
        self.readings = 0

    def run(self) -> Outcome:
        """Make the change; whatever is not foreseen is raised."""
        description = self.simulated.description
        try:
            with open_bench(
                description, clock=self.clock, connect=self._connect(), journal=self.journal
            ) as bench:
                for _ in range(self._more):
                    bench.read_power("other noise")
                self._hold_against_the_truth(bench)
                began_s = self.clock.now()
                outcome = change_passes(bench, self.passes)
                self.took_s = self.clock.now() - began_s
                return outcome
        except AutocellError as error:
            return outcome_of(error)

    def _hold_against_the_truth(self, bench: Bench) -> None:
        read = bench.read_power

        def held(*arguments: Any, **options: Any) -> Reading:
            reading = read(*arguments, **options)
            with self.simulated.present():
                light_w = self.simulated.rig.whole.light_w()
            self.readings += 1
            if abs(reading.power_w - light_w) > _SIGMA * reading.uncertainty_w:
                self.untrue.append(f"read {reading.power_w:.6g} W, there was {light_w:.6g} W")
            return reading

        bench.read_power = held  # type: ignore[method-assign]

    def _connect(self) -> Connect:
        connect = connector(self.simulated)
        names = {address: name for name, address in self.simulated.addresses.items()}

        def opened(address: str, line: Line) -> Transport:
            return _Told(
                connect(address, line),
                lambda what, data: self._at(self, names[address], what, data),
            )

        return opened

    def arm(self, device: str, kind: str, message: bytes, seed: int) -> None:
        """Have the line fail now."""
        wire = self.simulated.rig.wires[device]
        random = np.random.default_rng(seed)
        if kind.startswith("gone"):
            self.simulated.begin({"fault": "disconnected", "device": device, "for_s": _AWAY_S})
        elif kind == "lost message":
            wire.arm("message", lambda _message: [])
        elif kind == "lost reply":
            wire.arm("query", lambda _reply: [])
        elif kind == "garbled reply":
            wire.arm("query", lambda reply: [(0.0, _garbled(reply, random))])
        elif device == "motion":
            axis = message.split()[0] if message[:1].isdigit() else b"0"
            wire.arm("query", lambda _reply: [(0.0, axis + b" ER 6 FAULT\r\n")])
        elif message.startswith(b"READ"):
            wire.arm("query", lambda _reply: [(0.0, b"9.9E37\n")])
        else:  # such an instrument says nothing, and has something to say when asked for its errors
            wire.arm("message", lambda message: [(0.0, b"NO:SUCH:THING\n")])


class _Told:
    """A line that tells of each message and of each wait."""

    def __init__(self, inner: Transport, at: Callable[[str, bytes], None]) -> None:
        self._inner, self._at = inner, at

    def write(self, message: bytes) -> None:
        self._at("message", message)
        self._inner.write(message)

    def read_until(self, terminator: bytes, deadline: float) -> bytes:
        self._at("wait", b"")
        return self._inner.read_until(terminator, deadline)

    def discard_input(self) -> int:
        return self._inner.discard_input()

    def close(self) -> None:
        self._inner.close()


def _garbled(reply: bytes, random: np.random.Generator) -> bytes:
    """One bit is flipped, anywhere but in the ending."""
    place = int(random.integers(8 * max(len(reply.rstrip(b"\r\n")), 1)))
    garbled = bytearray(reply)
    garbled[place // 8] ^= 1 << (place % 8)
    return bytes(garbled)


@contextmanager
def read_once() -> Iterator[None]:
    """What every start reads anew, the same each time: the entry points and the dialect file."""
    with (
        mock.patch("autocell.bench.opening.installed", functools.cache(opening.installed)),
        mock.patch("autocell_drivers.ascii_motion.load_dialect", functools.cache(load_dialect)),
    ):
        yield

"""Fixtures for tests of any script against a simulated bench, in whatever language the script is.

``served_bench`` is a fresh bench on real lines and in real time; ``virtual_bench`` one in this
process on a virtual clock, where a night takes seconds. A marker says which bench:

    @pytest.mark.bench(file="peat-bog", seed=7, start="knocked", scenario="night.yaml")

``scenario`` may also be the entries of one, as a list. Nothing of autocell is loaded before a test
asks for a bench.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from autocell.bench.clock import VirtualClock
    from autocell.bench.protocols import Clock, Connect, Transport
    from autocell_simulators.bench import SimulatedBench
    from autocell_simulators.faults.director import Event
    from autocell_simulators.faults.scenario import Scenario


def pytest_configure(config: pytest.Config) -> None:
    """Tell pytest of the marker."""
    config.addinivalue_line(
        "markers",
        "bench(file='peat-bog', seed=0, start=None, scenario=None): the simulated bench that "
        "served_bench and virtual_bench give",
    )


class _Standing:
    """What both kinds of bench have in common."""

    bench: SimulatedBench

    @property
    def clock(self) -> Clock:
        """The bench's clock: ``now()`` in s, and ``sleep(seconds)``."""
        return self.bench.clock

    @property
    def events(self) -> Sequence[Event]:
        """Which faults have begun and ended by now."""
        return self.bench.events

    def truth(self) -> dict[str, Any]:
        """What is true of the bench by now; the script under test must not know."""
        return self.bench.truth_report()

    def begin(self, fault: str, **sizes: Any) -> None:
        """Have a fault from now on, as an entry of a scenario file says it.

        Raises UsageError for one that is not right.
        """
        self.bench.begin({"fault": fault, **sizes})

    def end(self, fault: str) -> int:
        """End all faults of this name; how many there were."""
        return self.bench.end(fault)


@dataclass
class ServedBench(_Standing):
    """A bench on real lines: ``addresses`` by device, and a bench file that names them."""

    bench: SimulatedBench
    addresses: Mapping[str, str]
    bench_file: Path


@dataclass
class VirtualBench(_Standing):
    """A bench in this process, on a clock that passes only when somebody sleeps."""

    bench: SimulatedBench
    _lines: dict[str, Transport] = field(default_factory=dict)

    @property
    def connect(self) -> Connect:
        """What opens the addresses of its bench file."""
        from autocell_simulators.inprocess import connector

        return connector(self.bench)

    def ask(self, device: str, message: bytes, ending: bytes, patience_s: float = 5.0) -> bytes:
        """Send a message as it is; the reply, without its ending.

        Raises NoReply when there is none within ``patience_s`` of virtual time.
        """
        from autocell.bench.protocols import Line

        if device not in self._lines:
            address = self.bench.description.devices[device].address
            self._lines[device] = self.connect(address, Line(self.clock))
        self._lines[device].write(message)
        return self._lines[device].read_until(ending, self.clock.now() + patience_s)


@pytest.fixture
def served_bench(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[ServedBench]:
    """A fresh simulated bench on real lines of this machine, until the test ends."""
    from autocell.bench.clock import RealClock, VirtualClock
    from autocell_simulators.serving import serve

    _made(request, VirtualClock()).truth_report()  # compiles the optics before time counts
    bench = _made(request, RealClock())
    with serve(bench) as served:
        path = served.write_bench_file(tmp_path / bench.description.path.name, by_id=True)
        yield ServedBench(bench, served.addresses, path)


@pytest.fixture
def virtual_bench(request: pytest.FixtureRequest) -> VirtualBench:
    """A fresh simulated bench in this process, on a virtual clock."""
    from autocell.bench.clock import VirtualClock

    clock: VirtualClock = VirtualClock()
    return VirtualBench(_made(request, clock))


def _made(request: pytest.FixtureRequest, clock: Clock) -> SimulatedBench:
    from autocell.bench.file import load
    from autocell_simulators.bench import SimulatedBench

    marker = request.node.get_closest_marker("bench")
    says: dict[str, Any] = dict(marker.kwargs) if marker is not None else {}
    unknown = set(says) - {"file", "seed", "start", "scenario"}
    if unknown or (marker is not None and marker.args):
        raise pytest.UsageError("bench takes file=, seed=, start= and scenario=, all by name")
    beside = request.path.parent
    return SimulatedBench(
        load(_found(str(says.get("file", "peat-bog")), beside)),
        int(says.get("seed", 0)),
        clock,
        start=says.get("start"),
        scenario=_scenario(says.get("scenario"), beside),
    )


def _scenario(says: object, beside: Path) -> Scenario:
    from autocell_simulators.faults.scenario import Scenario, entry, load

    if says is None:
        return Scenario()
    if isinstance(says, (str, Path)):
        return load(_found(str(says), beside))
    if isinstance(says, Sequence):
        return Scenario(entries=[entry(section) for section in says])
    raise pytest.UsageError("scenario= takes the path of a file, or a list of faults")


def _found(name: str, beside: Path) -> Path:
    """A file beside the test, or one of those that come with autocell by its bare name."""
    from autocell.bench.file import shipped

    path = beside / name
    return path if path.suffix or path.exists() else shipped(name)

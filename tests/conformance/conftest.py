"""A rig for each family of drivers and each kind of line, and one for ``--bench``."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path

import pytest
from autocell_drivers.conformance.rig import Bystander, Rig
from autocell_drivers.epics_channels import Channels
from autocell_drivers.transports import connect
from autocell_simulators.bench import SimulatedBench
from autocell_simulators.inprocess import connector
from autocell_simulators.proxy import Proxy, proxied
from autocell_simulators.serving import serve

from autocell.bench.clock import RealClock, VirtualClock
from autocell.bench.file import load, shipped
from autocell.bench.protocols import Axis, Clock
from tests.conformance import laboratory
from tests.drivers.other_programs import (
    beamline_bench,
    epics_base,
    example_beamline,
    free_port,
    looking_at,
)

DIALECTS = ("plain-motion", "step-counting-motion", "checked-motion")
WIRES = {
    "plain-motion": ("in process", "pty", "TCP", "proxied"),
    "step-counting-motion": ("in process", "pty"),
    "checked-motion": ("in process", "TCP"),
    "G-code": ("in process", "pty", "TCP", "proxied"),
}
"""What the first of the dialects has shown of a wire holds for the others on the same driver."""
FAMILIES = [f"{family}, {wire}" for family, wires in WIRES.items() for wire in wires]
ALL_FAMILIES = [*FAMILIES, "Python object", "EPICS", "EPICS, soft axis"]


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """All families where the thorough tests are asked for, and the real bench wherever one is."""
    if "rig" in metafunc.fixturenames:
        rigs = [pytest.param(family, marks=pytest.mark.thorough) for family in ALL_FAMILIES]
        if bench := metafunc.config.getoption("--bench"):
            rigs.append(pytest.param(bench, id=str(bench)))
        metafunc.parametrize("rig", rigs, indirect=True)


@pytest.fixture
def rig(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Rig]:
    if isinstance(request.param, Path):
        yield Rig(load(request.param), RealClock(), connect)
        return
    family, _, wire = request.param.partition(", ")
    if family in DIALECTS:
        with simulated(ascii_bench(family, tmp_path), wire, tmp_path, Beside) as made:
            yield made
    elif family == "G-code":
        with simulated(gcode_bench(tmp_path), wire, tmp_path, BesideBoard) as made:
            yield made
    elif family == "Python object":
        with laboratory.silent_when_asked() as hush:
            made = Rig(
                load(python_bench(tmp_path)), RealClock(), connect, bystander=Bystander(hush=hush)
            )
            with laboratory.telling(made.note):
                yield made
    else:
        soft = wire == "soft axis"
        port = request.getfixturevalue("beamline_port" if soft else "epics_port")
        bench = beamline_bench(tmp_path) if soft else epics_bench(tmp_path)
        made = Rig(load(bench), RealClock(), connect)
        with looking_at([port]), puts_noted(made):
            yield made


@pytest.fixture(scope="session")
def epics_port() -> Iterator[int]:
    """Where EPICS Base serves a spacing axis and a power."""
    port = free_port()
    server = epics_base("BOG:", port)
    yield port
    server.stop()


@pytest.fixture(scope="session")
def beamline_port() -> Iterator[int]:
    """Where caproto's example beamline serves an axis that knows neither limits nor a stop."""
    port = free_port()
    server = example_beamline(port)
    yield port
    server.stop()


@contextmanager
def puts_noted(rig: Rig) -> Iterator[None]:
    """Note what is written to records, before it leaves as ever."""
    put = Channels.put

    def noted(channels: Channels, name: str, value: float, *, urgent: bool = False) -> None:
        rig.note(name.encode())
        put(channels, name, value, urgent=urgent)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Channels, "put", noted)
        yield


class Beside:
    """Who stands beside a simulated bench and its plain-motion controller."""

    def __init__(self, bench: SimulatedBench, rig: Rig) -> None:
        self.bench = bench
        self.rig = rig

    @contextmanager
    def homing(self, axis: Axis) -> Iterator[None]:
        """The controller looks for the reference of one axis."""
        axis.home()
        assert axis.moving()
        yield

    @contextmanager
    def in_fault(self, axis: Axis) -> Iterator[None]:
        """The controller reports a fault of one axis."""
        with self.bench.present():
            self.bench.axes[axis.name].faulted = True
        yield
        with self.bench.present():
            self.bench.axes[axis.name].faulted = False


class BesideBoard(Beside):
    """Who stands beside one on a G-code board, which homes every axis, and is in alarm or not."""

    @contextmanager
    def homing(self, axis: Axis) -> Iterator[None]:
        """The board looks for its references."""
        self.rig.taps[-1].write(b"$H\n")
        yield
        self.unlock()

    @contextmanager
    def in_fault(self, axis: Axis) -> Iterator[None]:
        """The board is in alarm."""
        with self.bench.present():
            self.bench.axes[axis.name].referenced = False
        yield
        self.unlock()

    def unlock(self) -> None:
        """End an alarm, wherever the axes came to rest."""
        while self.in_motion():
            self.rig.clock.sleep(0.01)
        line = self.rig.taps[-1]
        line.write(b"$X\n")
        while line.read_until(b"\r\n", self.rig.clock.now() + 5.0) != b"ok":
            pass

    def in_motion(self) -> bool:
        """Whether any axis still brakes."""
        with self.bench.present():
            return any(axis.in_motion for axis in self.bench.axes.values())


@contextmanager
def simulated(path: Path, wire: str, folder: Path, beside: type[Beside]) -> Iterator[Rig]:
    """The simulated bench of a bench file, as near or as far as the wire is."""
    with ExitStack() as running:
        if wire == "in process":
            clock: Clock = VirtualClock()
            bench = SimulatedBench(load(path), 7, clock)
            rig = Rig(load(path), clock, connector(bench))
        else:
            clock = RealClock()
            bench = SimulatedBench(load(path), 7, clock)
            served = running.enter_context(serve(bench, pseudo_terminals=wire == "pty"))
            text = served.bench_file_text()
            proxies = []
            for address in served.addresses.values() if wire == "proxied" else ():
                proxies.append(running.enter_context(proxied(address)))
                text = text.replace(address, proxies[-1].address)
            (folder / "served.yaml").write_text(text, "utf-8")
            rig = Rig(load(folder / "served.yaml"), clock, connect)
        by = beside(bench, rig)
        hush = None if wire != "proxied" else lambda: silenced(proxies)
        rig.bystander = Bystander(by.homing, by.in_fault, hush)
        yield rig
    assert bench.truth_report()["limit_violations"] == 0


def ascii_bench(dialect: str, folder: Path) -> Path:
    """The shipped bench with its axes on the controller of a shipped dialect."""
    text = shipped("peat-bog").read_text("utf-8")
    text = text.replace("plain-motion.yaml", str(shipped(dialect)))
    text = text.replace("identity: PLAIN-MOTION", f"identity: {dialect.upper()}")
    path = folder / f"{dialect}.yaml"
    if "set_output" not in shipped(dialect).read_text("utf-8"):
        return without_shutter(text, path)
    path.write_text(text, "utf-8")
    return path


@contextmanager
def silenced(proxies: Sequence[Proxy]) -> Iterator[None]:
    """Nothing comes back through any of them."""
    for proxy in proxies:
        proxy.begin({"fault": "silent"})
    yield
    for proxy in proxies:
        proxy.end("silent")


def gcode_bench(folder: Path) -> Path:
    """The shipped bench with its axes on a G-code board."""
    text = shipped("peat-bog").read_text("utf-8")
    text = text.replace("driver: ascii-motion", "driver: gcode-motion")
    text = text.replace("    dialect: plain-motion.yaml     # beside this file\n", "")
    text = text.replace("identity: PLAIN-MOTION", "identity: BOG-BOARD")
    for number, letter in enumerate("XABYZ", start=1):
        text = text.replace(
            f"    device: motion\n    channel: {number}\n",
            f"    device: motion\n    channel: {letter}\n",
        )
    return without_shutter(text, folder / "gcode.yaml")


def without_shutter(text: str, path: Path) -> Path:
    before, _, after = text.partition("shutter:")
    path.write_text(before + after[after.index("caps:") :], "utf-8")
    return path


def python_bench(folder: Path) -> Path:
    """The shipped bench with everything on somebody's own Python."""
    text = shipped("peat-bog").read_text("utf-8")
    start, end = text.index("devices:"), text.index("axes:")
    lab = f"{{driver: python-object, address: '{laboratory.__name__}:open_it', identity: LAB 7}}"
    text = f"{text[:start]}devices:\n  motion: {lab}\n{text[end:]}"
    text = text.replace("device: meter", "device: motion")
    before, _, after = text.partition("  settings:")
    return without_shutter(before + after[after.index("shutter:") :], folder / "lab.yaml")


EPICS = """
devices:
  bog:
    driver: epics
    address: "BOG:"
    identity: BOG-IOC
    identity_pv: NAME
    outputs: {"m1:target": {readback: "m1:rbv"}}
"""


def epics_bench(folder: Path) -> Path:
    """The shipped bench with its spacing axis and its meter in a control system, and no others."""
    text = shipped("peat-bog").read_text("utf-8")
    start, axes, pitch = (text.index(key) for key in ("devices:", "axes:", "  pitch:"))
    meter = text.index("power_meter:")
    text = text[:start] + EPICS.lstrip() + "\n" + text[axes:pitch] + "\n" + text[meter:]
    text = text.replace("device: motion\n    channel: 1\n", "device: bog\n    channel: m1:target\n")
    text = text.replace("speed_mm_per_s: 5", "speed_mm_per_s: 2.5")
    text = text.replace("device: meter\n  channel: 1\n", "device: bog\n  channel: power\n")
    before, _, after = text.partition("  settings:")
    return without_shutter(before + after[after.index("shutter:") :], folder / "epics.yaml")

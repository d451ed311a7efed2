"""A rig for each family of drivers and each kind of line, and one for ``--bench``."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from autocell_drivers.conformance.rig import Rig
from autocell_drivers.transports import connect
from autocell_simulators.bench import SimulatedBench
from autocell_simulators.inprocess import connector
from autocell_simulators.serving import serve

from autocell.bench.clock import RealClock, VirtualClock
from autocell.bench.file import load, shipped
from tests.drivers.other_programs import epics_base, free_port, looking_at

WIRES = ("in process", "pty", "TCP")
DIALECTS = ("plain-motion", "step-counting-motion", "checked-motion")
FAMILIES = [f"{family}, {wire}" for family in (*DIALECTS, "G-code") for wire in WIRES]


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    if "rig" in metafunc.fixturenames:
        benches = [str(path)] if (path := metafunc.config.getoption("--bench")) else []
        metafunc.parametrize("rig", [*FAMILIES, "Python object", "EPICS", *benches], indirect=True)


@pytest.fixture
def rig(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Rig]:
    family, _, wire = request.param.partition(", ")
    if family in DIALECTS:
        with simulated(ascii_bench(family, tmp_path), wire, tmp_path) as made:
            yield made
    elif family == "G-code":
        with simulated(gcode_bench(tmp_path), wire, tmp_path) as made:
            yield made
    elif family == "Python object":
        yield Rig(load(python_bench(tmp_path)), RealClock(), connect)
    elif family == "EPICS":
        port = request.getfixturevalue("epics_port")
        with looking_at([port]):
            yield Rig(load(epics_bench(tmp_path)), RealClock(), connect)
    else:
        yield Rig(load(Path(family)), RealClock(), connect)


@pytest.fixture(scope="session")
def epics_port() -> Iterator[int]:
    """Where EPICS Base serves a spacing axis and a power."""
    port = free_port()
    server = epics_base("BOG:", port)
    yield port
    server.stop()


@contextmanager
def simulated(path: Path, wire: str, folder: Path) -> Iterator[Rig]:
    """The simulated bench of a bench file, as near or as far as the wire is."""
    if wire == "in process":
        clock = VirtualClock()
        bench = SimulatedBench(load(path), 7, clock)
        yield Rig(load(path), clock, connector(bench))
        assert bench.truth_report()["limit_violations"] == 0
        return
    bench = SimulatedBench(load(path), 7, RealClock())
    with serve(bench, pseudo_terminals=wire == "pty") as served:
        served_file = served.write_bench_file(folder / "served.yaml")
        yield Rig(load(served_file), RealClock(), connect)
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


LAB = '''
import threading, time
from autocell_drivers.python_object import AxisFunctions, Instrument, MeterFunctions


class Screw:
    """Goes to where it is sent at 20 units a second, and blocks until it is there."""

    def __init__(self, at):
        self.at, self.halted = at, threading.Event()

    def move(self, target):
        self.halted.clear()
        while self.at != target and not self.halted.wait(0.002):
            self.at += max(-0.04, min(0.04, target - self.at))

    def functions(self, unit):
        return AxisFunctions(lambda: self.at, self.move, self.halted.set, unit=unit)


def open_it():
    screws = {n: Screw(40.0 if n == 1 else 0.0) for n in range(1, 6)}
    return Instrument(
        "LAB 7",
        axes={n: s.functions("mrad" if n in (2, 3) else "mm") for n, s in screws.items()},
        meters={1: MeterFunctions(lambda: 1.0 + 1e-3 * time.monotonic() % 1e-3, unit="mW")},
    )
'''


def python_bench(folder: Path) -> Path:
    """The shipped bench with everything on somebody's own Python."""
    (folder / "lab.py").write_text(LAB, "utf-8")
    text = shipped("peat-bog").read_text("utf-8")
    start, end = text.index("devices:"), text.index("axes:")
    lab = "{driver: python-object, address: 'lab.py:open_it', identity: LAB 7}"
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

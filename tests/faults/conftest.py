"""The invented peat-bog bench exactly as its file describes it, without noise, for one fault at a
time; and what must then be read, from the described cell and not from the simulator."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import pytest
from autocell_simulators.bench import SimulatedBench
from autocell_simulators.faults.director import Event
from autocell_simulators.faults.scenario import AxisSection, Scenario
from autocell_simulators.inprocess import connector
from autocell_simulators.truth import draw_truth

from autocell.bench.clock import VirtualClock
from autocell.bench.file import load, shipped
from autocell.bench.protocols import Line, Transport
from autocell.description import BenchDescription
from autocell.optics.cell import Cell, InputBeam
from autocell.optics.trace import exit_power

ENDINGS = {"motion": (b"\r", b"\r\n"), "meter": (b"\n", b"\n")}
CHANNELS = {"spacing": 1, "pitch": 2, "yaw": 3, "horizontal": 4, "vertical": 5}
PLACES = {"spacing": 0.04, "pitch": 0.0, "yaw": 0.0, "horizontal": 0.0, "vertical": 0.0}


@pytest.fixture(scope="session")
def description() -> BenchDescription:
    """Without noise and without scatter, so that one reading tells."""
    described = load(shipped("peat-bog"))
    return dataclasses.replace(
        described,
        meter=dataclasses.replace(described.meter, relative_noise=0.0, noise_floor_w=1e-15),
        axes={
            name: dataclasses.replace(axis, repeatability=0.0)
            for name, axis in described.axes.items()
        },
    )


class Client:
    """Somebody who talks to the instruments, and knows the bench file only."""

    def __init__(
        self,
        description: BenchDescription,
        *faults: Mapping[str, Any],
        axes: Mapping[str, Mapping[str, Any]] | None = None,
        start: str = "six-pass",
        seed: int = 7,
        at: Mapping[str, float] | None = None,
        scale: float = 0.0,
    ) -> None:
        self.description = description
        self.clock = VirtualClock()
        drives = {name: AxisSection.model_validate(axis) for name, axis in (axes or {}).items()}
        self.bench = SimulatedBench(
            description,
            draw_truth(description, seed, scale=scale),
            self.clock,
            start=start,
            scenario=Scenario(axes=drives),
        )
        for name, place in (at or {}).items():
            self.bench.axes[name].place(place)
        self.bench.begin(*faults)
        self._lines: dict[str, Transport] = {}
        self.meter("SENS:POW:WAV 1654;RANG 10MW;*OPC?")

    def line(self, device: str) -> Transport:
        """The opened line to a device."""
        if device not in self._lines:
            address = self.description.devices[device].address
            self._lines[device] = connector(self.bench)(address, Line(self.clock))
        return self._lines[device]

    def ask(self, device: str, text: str, patience_s: float = 5.0) -> str:
        """One exchange."""
        ending, reply_ending = ENDINGS[device]
        self.line(device).write(text.encode() + ending)
        reply = self.line(device).read_until(reply_ending, self.clock.now() + patience_s)
        return reply.decode("latin-1")

    def meter(self, text: str) -> str:
        """Ask the power meter."""
        return self.ask("meter", text)

    def controller(self, text: str) -> str:
        """Ask the motion controller."""
        return self.ask("motion", text)

    def read(self) -> float:
        """One reading, W."""
        return float(self.meter("READ?"))

    def start(self, axis: str, target: float) -> None:
        """Send an axis (m or rad) on its way."""
        assert self.controller(f"{CHANNELS[axis]} MA {target * 1e3:.5f}").endswith("OK")

    def go(self, axis: str, target: float) -> None:
        """Send an axis (m or rad) and wait for it."""
        self.start(axis, target)
        self.wait(15.0)

    def counter(self, axis: str) -> float:
        """Where the controller says that it is, m or rad."""
        return float(self.controller(f"{CHANNELS[axis]} PO?").split()[2]) * 1e-3

    def status(self, axis: str) -> int:
        """The status bits."""
        return int(self.controller(f"{CHANNELS[axis]} ST?").split()[2], 16)

    def true(self, axis: str) -> float:
        """What only the light knows."""
        return self.bench.true_positions()[axis]

    def wait(self, seconds: float) -> None:
        """Let time pass."""
        self.clock.sleep(seconds)

    @property
    def events(self) -> list[Event]:
        """What has begun and ended."""
        return list(self.bench.events)

    def expected_w(
        self,
        change: Callable[[Cell, InputBeam], tuple[Cell, InputBeam]] | None = None,
        **places: float,
    ) -> float:
        """What the described bench lets through with its axes at ``places``, changed as told."""
        setting = self.description.setting(PLACES | places)
        cell, beam = self.description.cell(setting.spacing_m), self.description.beam(setting)
        if change is not None:
            cell, beam = change(cell, beam)
        return float(exit_power(cell, beam, 400).power) * self.description.lossless_reading_w


def spread(values: list[float]) -> float:
    """Standard deviation of a sample."""
    return float(np.std(values, ddof=1))

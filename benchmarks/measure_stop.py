"""How long ``autocell stop`` takes: from the start of the command until every axis is at rest.

    python benchmarks/measure_stop.py --repeat 5
    python benchmarks/measure_stop.py --repeat 5 --asked

A simulated bench is served by this process on a pseudo-terminal and a TCP port; ``autocell
change`` runs in a second process and ``autocell stop`` in a third. Stopped are: a move, a reading,
a calculation, a move whose controller has fallen silent (it hears but does not answer), and a
wait for a silent meter. *at rest* is the simulator's own time of the last motion, *told* that of
the first stop command on the wire; both count from the start of the third process. With ``--asked``
there is no third process, and they count from the moment at which the owner of the bench is asked.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any, cast

from autocell_simulators.bench import SimulatedBench
from autocell_simulators.lines import Line
from autocell_simulators.serving import serve

from autocell.bench.clock import RealClock
from autocell.bench.file import load, shipped
from autocell.session.claim import ask_to_stop, claim_names

AUTOCELL = (sys.executable, "-P", "-m", "autocell.cli")
_QUIET_S = 0.1


class Listened:
    """A line that remembers when bytes came by, and can fall silent."""

    def __init__(self, inner: Line) -> None:
        self._inner = inner
        self.last_s = 0.0
        self.last_message = b""
        self.stop_s: float | None = None
        self.silent = False

    def feed(self, data: bytes) -> None:
        self.last_s, self.last_message = time.monotonic(), data
        if b"SP\r" in data and self.stop_s is None:
            self.stop_s = self.last_s
        self._inner.feed(data)

    def take(self) -> bytes:
        ready = self._inner.take()
        return b"" if self.silent else ready

    def __getattr__(self, name: str) -> Any:
        return getattr(self._inner, name)


class Scene:
    """One change under way, and what of it can be seen from the bench."""

    def __init__(self, bench: SimulatedBench, lines: dict[str, Listened]) -> None:
        self.bench, self.lines = bench, lines
        self._moving_since_s = time.monotonic()

    @property
    def moving(self) -> bool:
        with self.bench.present():
            return any(axis.in_motion for axis in self.bench.axes.values())

    def long_move(self) -> bool:
        """At full speed, and with a long way to go."""
        if not self.moving:
            self._moving_since_s = time.monotonic()
        with self.bench.present() as now_s:
            ends = [axis.ends_s for axis in self.bench.axes.values()]
            goes_on = any(end is not None and end > now_s + 0.7 for end in ends)
        return goes_on and time.monotonic() - self._moving_since_s > 0.4

    def reads(self) -> bool:
        meter = self.lines["meter"]
        return b"READ" in meter.last_message and time.monotonic() - meter.last_s < 0.01

    def computes(self) -> bool:
        quiet = time.monotonic() - max(line.last_s for line in self.lines.values()) > _QUIET_S
        return quiet and not self.moving and self.bench.meter.readings > 20

    def silent_controller(self) -> bool:
        if not self.long_move():
            return False
        self.lines["motion"].silent = True
        time.sleep(0.05)
        return True

    def silent_meter(self) -> bool:
        if not self.reads():
            return False
        self.lines["meter"].silent = True
        time.sleep(0.05)
        return True


SITUATIONS: dict[str, Callable[[Scene], bool]] = {
    "moving": Scene.long_move,
    "reading": Scene.reads,
    "computing": Scene.computes,
    "moving, controller silent": Scene.silent_controller,
    "waiting for a silent meter": Scene.silent_meter,
}


def measure(situation: Callable[[Scene], bool], seed: int, asked: bool) -> tuple[float, float]:
    """Seconds until the axes are at rest, and until they were told."""
    bench = SimulatedBench(load(shipped("peat-bog")), seed, RealClock())
    bench.truth_report()
    lines = {name: Listened(line) for name, line in bench.lines.items()}
    bench.lines = cast(dict[str, Line], lines)
    with tempfile.TemporaryDirectory() as folder, serve(bench) as served:
        path = served.write_bench_file(Path(folder) / "bench.yaml")
        environment = {**os.environ, "AUTOCELL_STORE": str(Path(folder) / "runs.sqlite")}
        change = subprocess.Popen(
            [*AUTOCELL, "change", "62", "--bench", str(path)],
            env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        scene = Scene(bench, lines)
        while not situation(scene):
            if change.poll() is not None:
                raise SystemExit(f"the change ended before: exit code {change.returncode}")
            time.sleep(0.001)
        for line in lines.values():
            line.stop_s = None
        began_s = rest_s = time.monotonic()
        with ThreadPoolExecutor(1) as caller:
            stop = caller.submit(_ask if asked else _call, path)
            while not stop.done() or scene.moving:
                if scene.moving:
                    rest_s = time.monotonic()
                time.sleep(0.001)
            stop.result()
        told_s = lines["motion"].stop_s or float("nan")
        assert change.wait(60) in (4, 5)
        return rest_s - began_s, told_s - began_s


def _call(bench: Path) -> None:
    call = [*AUTOCELL, "stop", "--bench", str(bench)]
    subprocess.run(call, stdout=subprocess.DEVNULL, check=False)


def _ask(bench: Path) -> None:
    (name,) = claim_names(load(bench))
    ask_to_stop(name)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--repeat", type=int, default=3)
    parser.add_argument("--asked", action="store_true")
    given = parser.parse_args()
    print(f"{'situation':<28} {'at rest / s':>22} {'told / s':>22}")
    for name, situation in SITUATIONS.items():
        times = [measure(situation, seed, given.asked) for seed in range(given.repeat)]
        columns = [[one[k] for one in times] for k in (0, 1)]
        shown = [f"{min(c):.3f} to {max(c):.3f}" for c in columns]
        print(f"{name:<28} {shown[0]:>22} {shown[1]:>22}", flush=True)


if __name__ == "__main__":
    main()

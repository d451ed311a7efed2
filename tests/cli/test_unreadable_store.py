"""A run store that cannot be read: every command that opens the bench stops its axes first."""

from __future__ import annotations

import re
import socket
from collections.abc import Callable, Iterator

import pytest

import autocell as api
from autocell.errors import StoreError
from tests.cli.conftest import CommandLine, Served, Simulation
from tests.cli.test_stop import slow_bench

Ask = Callable[[CommandLine, Simulation], str]


def on_the_wire(bench: Simulation, command: str) -> str:
    """What the controller answers, by its manual's own words."""
    host, port = bench.addresses["motion"].removeprefix("socket://").split(":")
    with socket.create_connection((host, int(port)), timeout=60.0) as line:
        line.sendall(f"{command}\r".encode())
        return line.makefile("rb").readline().decode().strip()


def moving(bench: Simulation) -> bool:
    told = re.fullmatch(r"1 ST ([0-9A-F]{2})", on_the_wire(bench, "1 ST?"))
    assert told
    return bool(int(told[1], 16) & 0x01)


@pytest.fixture(scope="module")
def served(module_autocell: CommandLine) -> Iterator[Served]:
    """A bench whose stage takes half a minute to its other end, and something else than a store."""
    slow = slow_bench(module_autocell.folder)
    with module_autocell.simulating("--seed", 5, "--tcp", bench=slow) as bench:
        module_autocell.store.parent.mkdir()
        module_autocell.store.write_text("a note about Sphagnum, long enough to be read " * 30)
        yield module_autocell, bench


def run(autocell: CommandLine, bench: Simulation) -> str:
    programme = autocell.folder / "night.yaml"
    programme.write_text(
        f"programme: a night (invented)\nbench: {bench.bench_file}\ntime_zone: UTC\n"
        'every_night_at: "22:00"\nsteps:\n  - recover: last\n'
    )
    return autocell.here("run", programme).err


def called_from_python(autocell: CommandLine, bench: Simulation) -> str:
    with (
        api.open_bench(bench.bench_file, store=autocell.store) as opened,
        pytest.raises(StoreError) as raised,
    ):
        api.recover(opened)
    return str(raised.value)


def of(*command: str) -> Ask:
    def ask(autocell: CommandLine, bench: Simulation) -> str:
        ended = autocell.here(*command, "--bench", bench.bench_file)
        assert ended.code == 5
        return ended.out + ended.err

    return ask


@pytest.mark.parametrize(
    "ask",
    [
        pytest.param(run, id="run"),
        pytest.param(called_from_python, id="recover() in Python"),
        *(pytest.param(of(*line.split()), id=line) for line in (
            "recover", "status", "check", "survey --dry-run",
        )),
    ],
)  # fmt: skip
def test_the_axes_stand_still_when_it_is_said(ask: Ask, served: Served) -> None:
    autocell, bench = served
    at = float(on_the_wire(bench, "1 PO?").split()[-1])
    assert on_the_wire(bench, f"1 MA {5.0 if at > 25.0 else 45.0:.5f}") == "1 OK"
    while not moving(bench):  # the bit comes late
        pass
    told = " ".join(ask(autocell, bench).split())
    assert "not a run store" in told
    assert "every axis was told to stop" in told
    while moving(bench):  # it brakes
        pass
    assert 6.0 < float(on_the_wire(bench, "1 PO?").split()[-1]) < 44.0

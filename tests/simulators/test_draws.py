"""What a seed draws is kept: campaigns name their benches by it, and are compared over months."""

import dataclasses
import hashlib

import pytest
from autocell_simulators.bench import SimulatedBench
from autocell_simulators.faults.scenario import Scenario
from autocell_simulators.truth import draw_truth

from autocell.bench.clock import VirtualClock
from autocell.description import BenchDescription
from tests.simulators.conftest import asker

TRUTH_OF_SEED_7 = "14aa1e2c9bf657b6fb7c6f734aa295fbe0dcbed4da0c8458f5db896487959fb8"
CONVERSATION_OF_SEED_7 = "63e797c107f18e466a1e15317e8b4afa7577c7528349422e7bc2e8e68c161804"
DRAWN_FIRST = 40
"""So many unknowns may have been named by campaigns: others may follow them, none may change."""


def conversation(bench: SimulatedBench, clock: VirtualClock) -> list[str]:
    """Moves on every axis, reversals among them, read-backs and readings in between."""
    controller = asker(bench, clock, "motion", b"\r", b"\r\n")
    meter = asker(bench, clock, "meter", b"\n", b"\n")
    heard = [meter("SENS:POW:WAV 1654;RANG 10MW;*OPC?")]
    for command in ("1 MA 39.2", "2 MA 0.5", "3 MA -0.4", "4 MA 0.1", "5 MA -0.1", "1 MA 41"):
        heard.append(controller(command))
        clock.sleep(2.0)
        heard.append(controller(f"{command[0]} PO?"))
        heard.append(f"{float(meter('READ?')):.5e}")
    controller("1 HO")
    clock.sleep(30.0)
    return [*heard, controller("1 PO?"), f"{float(meter('READ?')):.5e}"]


def digest(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def test_a_seed_draws_the_same_truth_as_ever(description: BenchDescription) -> None:
    drawn = list(dataclasses.asdict(draw_truth(description, 7)).items())[:DRAWN_FIRST]
    assert digest("\n".join(f"{name} {_rounded(value)}" for name, value in drawn)) == (
        TRUTH_OF_SEED_7
    )


@pytest.mark.parametrize("scenario", [None, Scenario()], ids=["none", "nothing goes wrong"])
def test_a_seed_moves_and_reads_the_same_as_ever(
    description: BenchDescription, scenario: Scenario | None
) -> None:
    clock = VirtualClock()
    talk = conversation(SimulatedBench(description, 7, clock, scenario=scenario), clock)
    assert digest("\n".join(talk)) == CONVERSATION_OF_SEED_7


def _rounded(value: object) -> str:
    """Ten digits: what another version of a library may change is less, another draw is more."""
    if isinstance(value, float):
        return f"{value:.10e}"
    if isinstance(value, dict):
        return ", ".join(f"{key}: {_rounded(inner)}" for key, inner in value.items())
    return str(value)

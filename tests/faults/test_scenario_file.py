"""A scenario file says what it means, or is refused with place and cure."""

from pathlib import Path

import pytest
from autocell_simulators.bench import SimulatedBench
from autocell_simulators.faults.catalogue import FAULTS
from autocell_simulators.faults.scenario import entry, load, read

from autocell.bench.clock import VirtualClock
from autocell.bench.file import shipped
from autocell.description import BenchDescription
from autocell.errors import UsageError

HEAD = "scenario: a test\nfaults:\n"


def test_the_shipped_scenario_loads_and_suits_the_shipped_bench(
    description: BenchDescription,
) -> None:
    scenario = load(shipped("bad-night"))
    assert "invented" in scenario.name
    assert scenario.seed == 4
    assert scenario.axes["spacing"].drive == "stepper"
    bench = SimulatedBench(description, 7, VirtualClock(), scenario=scenario)
    begun = [event.fault for event in bench.events]
    assert begun[:2] == ["room-temperature", "spacing-expansion"]
    assert "mode-hop" not in begun


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("faults: []\n", "file.yaml:1: scenario: missing"),
        (HEAD + "  - {fault: mode-hopp}\n",
         r"file.yaml:3: faults\[0\].fault: no fault 'mode-hopp'; did you mean mode-hop\?"),
        (HEAD + "  - {percent: 3}\n", r"file.yaml:3: faults\[0\].fault: no fault None; there are"),
        (HEAD + "  - fault: mode-hop\n    percnt: 3\n",
         r"file.yaml:4: faults\[0\].percnt: unknown key; did you mean percent\?"),
        (HEAD + "  - fault: late-reply\n    s: 3\n", r"file.yaml:4: faults\[0\].s: unknown key"),
        (HEAD + "  - fault: mode-hop\n    percent: -3\n",
         r"file.yaml:4: faults\[0\].percent: -3 must not be less than 0"),
        (HEAD + "  - fault: mode-hop\n    when: {at_s: 3, query: 2}\n",
         r"file.yaml:4: faults\[0\].when: write exactly one of at_s, per_hour, query"),
        (HEAD + "  - fault: mode-hop\n    when: {at_s: 3, part: 0.2}\n",
         r"file.yaml:4: faults\[0\].when: part is of a move or of a reading; take it out"),
        (HEAD + "  - fault: mode-hop\n    when: {evry: 3}\n",
         r"file.yaml:4: faults\[0\].when"),
        (HEAD + "  - fault: mode-hop\n    when: soon\n", r"file.yaml:4: faults\[0\].when"),
        (HEAD + "  - fault: power-cycle\n    for_s: 3\n",
         r"file.yaml:4: faults\[0\].for_s: power-cycle is over at once; take for_s out"),
        (HEAD + "  - fault: mode-hop\n    percent: 3\n    percent: 4\n",
         r"file.yaml:5: faults\[0\].percent: this key stands twice, first in line 4"),
        ("scenario: x\naxes:\n  pitch: {drive: belt}\n",
         "file.yaml:3: axes.pitch.drive: 'belt' is not one of 'servo', 'stepper'"),
        ("scenario: x\naxes:\n  pitch: servo\n", "file.yaml:3: axes.pitch: not a section"),
        ("scenario: x\nscale: 3\n", "file.yaml:2: scale: unknown key"),
        ("- a\n- b\n", "file.yaml:1: not a scenario"),
        ("a: [\n", "not valid YAML"),
    ],
)  # fmt: skip
def test_what_is_wrong_with_a_file_is_said_with_its_place_and_its_cure(
    text: str, complaint: str
) -> None:
    with pytest.raises(UsageError, match=complaint):
        read(text, "file.yaml")


def test_all_that_is_wrong_is_said_at_once() -> None:
    text = HEAD + "  - {fault: mode-hopp}\n  - {fault: dust, percent: 200}\n  - {fault: knok}\n"
    with pytest.raises(UsageError) as refused:
        read(text, "file.yaml")
    assert len(str(refused.value).splitlines()) == 3


@pytest.mark.parametrize(
    ("fault", "complaint"),
    [
        ("{fault: stick, axis: roll}",
         r"file.yaml:3: faults\[0\].axis: no axis 'roll'; the bench has spacing, pitch"),
        ("{fault: step-size, axis: pitch}",
         r"faults\[0\].axis: only a piezo-inertia axis can have it \(.*pitch is servo"),
        ("{fault: step-size}", "only a piezo-inertia axis can have it"),
        ("{fault: missed-steps}", "only a stepper axis can have it"),
        ("{fault: late-reply, device: meeter}",
         r"faults\[0\].device: no device 'meeter'; there are: motion, meter"),
        ("{fault: power-cycle, device: laser}", "no device 'laser'"),
        ("{fault: wrong-wavelength, wavelength_nm: 10600}", "the meter knows 400 to 1800 nm"),
    ],
)  # fmt: skip
def test_what_does_not_suit_the_bench_is_refused_before_anything_moves(
    description: BenchDescription, fault: str, complaint: str
) -> None:
    scenario = read(f"{HEAD}  - {fault}\n", "file.yaml")
    with pytest.raises(UsageError, match=complaint):
        SimulatedBench(description, 7, VirtualClock(), scenario=scenario)


def test_an_axis_that_the_bench_does_not_have_is_refused(description: BenchDescription) -> None:
    scenario = read("scenario: x\naxes:\n  rol: {drive: stepper}\n", "file.yaml")
    with pytest.raises(UsageError, match=r"file.yaml:3: axes.rol: no axis 'rol'"):
        SimulatedBench(description, 7, VirtualClock(), scenario=scenario)


def test_a_file_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="no such scenario file"):
        load(tmp_path / "nothing.yaml")


@pytest.mark.parametrize("name", FAULTS)
def test_every_fault_has_a_size_of_its_own_and_suits_some_bench(
    description: BenchDescription, name: str, tmp_path: Path
) -> None:
    (tmp_path / "store").write_bytes(b"x")
    needs = {"file": str(tmp_path / "store")} if "file" in FAULTS[name].model_fields else {}
    text = (
        "scenario: x\naxes:\n  pitch: {drive: piezo-inertia}\n  spacing: {drive: stepper}\n"
        "  yaw: {drive: closed-loop}\n"
    )
    bench = SimulatedBench(description, 7, VirtualClock(), scenario=read(text))
    bench.begin({"fault": name, "when": {"at_s": 0.5}, **needs})
    with bench.present():
        pass
    assert entry({"fault": name, **needs}).fault.rows
    assert bench.events == []
    bench.clock.sleep(1.0)
    assert [(event.fault, event.what) for event in bench.events] == [(name, "begins")]
    bench.end(name)
    if FAULTS[name].lasts:
        assert bench.events[-1].what == "ends"
    assert bench.optics.truth == bench.truth


def test_every_row_has_a_fault() -> None:
    rows = {row for fault in FAULTS.values() for row in fault.rows}
    assert rows == set(range(1, 39))

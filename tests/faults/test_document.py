"""docs/faults.md says what is so."""

from pathlib import Path

import yaml
from autocell_simulators.faults.catalogue import FAULTS, MET_ON_BENCHES, table
from autocell_simulators.faults.scenario import ScenarioSection, load, read
from autocell_simulators.faults.schedule import KINDS
from autocell_simulators.start_states import START_STATES

ROOT = Path(__file__).parents[2]
TEXT = (ROOT / "docs" / "faults.md").read_text("utf-8")


def test_the_table_is_that_of_the_faults() -> None:
    assert table() in TEXT
    assert len(FAULTS) == sum(line.startswith("| ") and "`" in line for line in table().split("\n"))
    assert set(MET_ON_BENCHES) == set(range(1, 39))


def test_every_start_state_key_and_schedule_is_told() -> None:
    for name in START_STATES:
        assert f"| `{name}` |" in TEXT
    for key in ScenarioSection.model_fields:
        assert f"| `{key}` |" in TEXT
    for kind in KINDS:
        assert f"{{{kind}:" in TEXT


def test_the_excerpt_is_of_the_shipped_scenario() -> None:
    excerpt = TEXT.split("```yaml\n")[1].split("```")[0]
    assert excerpt in (ROOT / "configs" / "bad-night.yaml").read_text("utf-8")
    assert len(yaml.safe_load(excerpt)["faults"]) == 2


def test_the_scenario_of_the_example_project_loads() -> None:
    scenario = load(ROOT / "docs" / "testing-your-script" / "bad-lines.yaml")
    assert "invented" in scenario.name
    assert all(entry.fault.of_the_line for entry in scenario.entries)


def test_the_example_in_the_words_of_the_module_reads() -> None:
    from autocell_simulators.faults import scenario

    assert scenario.__doc__ is not None
    text = scenario.__doc__.split("\n\n")[1]
    assert read(text).axes["pitch"].drive == "piezo-inertia"

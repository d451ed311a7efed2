"""The example project of the documents, run as somebody else's: from a copy, in its own process."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

pytestmark = pytest.mark.thorough

EXAMPLE = Path(__file__).parents[2] / "docs" / "testing-your-script"


def run_pytest(folder: Path, *options: str) -> subprocess.CompletedProcess[str]:
    environment = {k: v for k, v in os.environ.items() if not k.startswith("PYTEST_")}
    return subprocess.run(
        [sys.executable, "-m", "pytest", "-p", "no:cacheprovider", "--strict-markers", *options],
        cwd=folder, env=environment, capture_output=True, text=True, timeout=900, check=False,
    )  # fmt: skip


@pytest.fixture
def project(tmp_path: Path) -> Path:
    return Path(shutil.copytree(EXAMPLE, tmp_path / "project"))


def test_the_example_project_tests_its_script(project: Path) -> None:
    ended = run_pytest(project, "-q")
    assert ended.returncode == 0, ended.stdout + ended.stderr
    assert "4 passed" in ended.stdout


def test_a_script_that_takes_no_care_of_bad_lines_is_found_out(project: Path) -> None:
    script = project / "centre.py"
    text = script.read_text("utf-8")
    careless = text.replace("TRIES = 4", "TRIES = 1")
    assert careless != text
    script.write_text(careless, "utf-8")
    ended = run_pytest(project, "-q", "-k", "bad_lines")
    assert ended.returncode == 1, ended.stdout + ended.stderr
    assert "1 failed" in ended.stdout


@pytest.mark.parametrize(
    ("marker", "said"),
    [
        ('pytest.mark.bench("peat-bog")', "all by name"),
        ("pytest.mark.bench(sed=3)", "all by name"),
        ("pytest.mark.bench(scenario=3)", "the path of a file, or a list of faults"),
        ('pytest.mark.bench(scenario=[{"fault": "knok"}])', "did you mean knock?"),
        ('pytest.mark.bench(start="upside-down")', "no start state 'upside-down'"),
    ],
)
def test_a_marker_that_says_nothing_possible_is_refused(
    tmp_path: Path, marker: str, said: str
) -> None:
    (tmp_path / "test_it.py").write_text(
        f"import pytest\n\n@{marker}\ndef test_it(virtual_bench):\n    pass\n", "utf-8"
    )
    ended = run_pytest(tmp_path, "-q")
    assert ended.returncode == 1
    assert said in ended.stdout


def test_the_fixtures_load_nothing_of_autocell_before_a_test_asks_for_a_bench(
    tmp_path: Path,
) -> None:
    (tmp_path / "test_it.py").write_text(
        "import sys\n\ndef test_it():\n    assert 'autocell_simulators.bench' not in sys.modules\n"
        "    assert 'numba' not in sys.modules\n",
        "utf-8",
    )
    ended = run_pytest(tmp_path, "-q")
    assert ended.returncode == 0, ended.stdout

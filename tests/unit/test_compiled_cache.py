"""What was compiled from other sources is not tested."""

from __future__ import annotations

import os
import subprocess
import sys
import textwrap
from pathlib import Path

import pytest

from tests.conftest import drop_stale_cache

CONFTEST = Path(__file__).parents[1] / "conftest.py"
CALLS = """
from called import value
from numba import njit

@njit(cache=True)
def twice():
    return 2 * value()
"""
CALLED = """
from numba import njit

@njit(cache=True)
def value():
    return {}
"""


def age(path: Path, seconds: float) -> None:
    """Give a file a time, after some beginning."""
    os.utime(path, (1e9 + seconds, 1e9 + seconds))


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Two sources of the second 10, kept compiled since 20 and 30."""
    kept = tmp_path / "__pycache__"
    kept.mkdir()
    for name, seconds in (
        ("kernel.py", 10), ("edge.py", 10),
        ("__pycache__/kernel.follow-1.nbi", 20), ("__pycache__/kernel.follow-1.1.nbc", 20),
        ("__pycache__/edge.area-1.nbi", 30), ("__pycache__/edge.area-1.1.nbc", 30),
        ("__pycache__/edge.cpython.pyc", 10),
    ):  # fmt: skip
        (tmp_path / name).touch()
        age(tmp_path / name, seconds)
    return tmp_path


def kept(folder: Path) -> set[str]:
    return {path.suffix for path in (folder / "__pycache__").iterdir()}


def test_what_is_newer_than_every_source_is_kept(folder: Path) -> None:
    assert not drop_stale_cache(folder)
    assert kept(folder) == {".nbi", ".nbc", ".pyc"}


@pytest.mark.parametrize("changed_s", [20, 25, 40])
def test_a_source_that_is_newer_than_any_of_it_takes_all_of_it_away(
    folder: Path, changed_s: float
) -> None:
    age(folder / "edge.py", changed_s)
    assert drop_stale_cache(folder)
    assert kept(folder) == {".pyc"}
    assert not drop_stale_cache(folder)


def test_where_nothing_is_kept_nothing_is_dropped(tmp_path: Path) -> None:
    (tmp_path / "kernel.py").touch()
    assert not drop_stale_cache(tmp_path)


def test_after_dropping_a_called_function_is_the_new_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("NUMBA_CACHE_DIR", raising=False)

    def computed() -> str:
        return subprocess.run(
            [sys.executable, "-c", "import calls; print(calls.twice())"],
            cwd=tmp_path, capture_output=True, text=True, check=True,
        ).stdout.strip()  # fmt: skip

    (tmp_path / "calls.py").write_text(CALLS)
    (tmp_path / "called.py").write_text(CALLED.format(1))
    for name in ("calls.py", "called.py"):
        age(tmp_path / name, 0)
    assert computed() == "2"
    (tmp_path / "called.py").write_text(CALLED.format(21))
    assert computed() == "2"  # numba has not noticed
    assert drop_stale_cache(tmp_path)
    assert computed() == "42"


PROJECT = {
    "autocell/__init__.py": "",
    "autocell/optics/kernel.py": "",
    "autocell/optics/__pycache__/before.nbi": "",
    "tests/test_cache.py": """
        import os
        from pathlib import Path

        def test_the_cache():
            kept = Path("autocell/optics/__pycache__")
            assert "PYTEST_XDIST_WORKER" in os.environ
            assert [path.name for path in kept.iterdir()] == ["since.nbi"]
    """,
    "compiling.py": """
        import os
        from pathlib import Path

        def pytest_sessionstart(session):
            if not hasattr(session.config, "workerinput"):
                compiled = Path("autocell/optics/__pycache__/since.nbi")
                compiled.touch()
                os.utime(compiled, (0, 0))
    """,
}


def test_only_the_process_that_hands_out_the_tests_drops_it(tmp_path: Path) -> None:
    for name, text in PROJECT.items():
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_text(textwrap.dedent(text))
    os.utime(tmp_path / "autocell/optics/__pycache__/before.nbi", (0, 0))
    (tmp_path / "tests" / "conftest.py").write_text(CONFTEST.read_text("utf-8"))
    ran = subprocess.run(
        [sys.executable, "-m", "pytest", "-p", "xdist", "-p", "compiling", "-n", "1", "tests"],
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(tmp_path), "PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1"},
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert ran.returncode == 0, ran.stdout + ran.stderr
    assert "1 passed" in ran.stdout

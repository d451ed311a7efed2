"""What is installed is all of the package, and nothing else."""

from __future__ import annotations

import importlib
import tomllib
from configparser import ConfigParser
from email.parser import HeaderParser
from pathlib import Path
from zipfile import ZipFile

import pytest
import yaml
from autocell_drivers.dialect import load_dialect
from autocell_simulators.faults.scenario import load as load_scenario

from autocell import __version__
from autocell.bench.file import load
from autocell.programme.programme import load as load_programme
from tests.packaging.conftest import ROOT, build

PACKAGES = {
    "autocell": ROOT / "autocell",
    "autocell_drivers": ROOT / "drivers" / "autocell_drivers",
    "autocell_simulators": ROOT / "simulators" / "autocell_simulators",
}
CONFIGS = sorted((ROOT / "configs").glob("*.yaml"))


def dist_info(wheel: ZipFile, name: str) -> str:
    (path,) = [p for p in wheel.namelist() if p.endswith(f".dist-info/{name}")]
    return wheel.read(path).decode("utf-8")


def test_the_wheel_has_every_module_and_nothing_but_the_packages(wheel: ZipFile) -> None:
    names = set(wheel.namelist())
    for package, folder in PACKAGES.items():
        for path in folder.rglob("*.py"):
            assert f"{package}/{path.relative_to(folder).as_posix()}" in names
    tops = {name.split("/")[0] for name in names}
    assert tops == {*PACKAGES, f"autocell-{__version__}.dist-info"}
    assert not [name for name in names if "/test" in name or "__pycache__" in name]


def test_type_checkers_may_trust_the_packages(wheel: ZipFile) -> None:
    for package in PACKAGES:
        assert f"{package}/py.typed" in wheel.namelist()


def test_configurations_and_page_style_travel_with_the_wheel(wheel: ZipFile) -> None:
    assert CONFIGS
    for path in CONFIGS:
        assert wheel.read(f"autocell/configs/{path.name}") == path.read_bytes()
    assert "autocell/report/page.css" in wheel.namelist()


def test_entry_points_lead_to_what_they_name(wheel: ZipFile) -> None:
    points = ConfigParser()
    points.read_string(dist_info(wheel, "entry_points.txt"))
    assert set(points["console_scripts"]) == {"autocell"}
    assert {"scpi-power-meter", "ascii-motion"} <= set(points["autocell.drivers"])
    assert "default" in points["autocell.transports"]
    for section in points.sections():
        for target in points[section].values():
            module, _, name = target.partition(":")
            found = importlib.import_module(module)
            assert callable(getattr(found, name)) if name else section == "pytest11"


def test_the_version_stands_in_one_place(wheel: ZipFile) -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    assert "version" not in project
    assert "version" in project["dynamic"]
    metadata = HeaderParser().parsestr(dist_info(wheel, "METADATA"))
    assert metadata["Version"] == __version__
    assert metadata["Requires-Python"] == ">=3.11"


def test_a_source_archive_builds_the_same_wheel(
    wheel: ZipFile, unpacked_sdist: Path, tmp_path: Path
) -> None:
    again = ZipFile(build(unpacked_sdist, "wheel", tmp_path))
    assert sorted(again.namelist()) == sorted(wheel.namelist())


def test_a_source_archive_has_what_its_readers_need(unpacked_sdist: Path) -> None:
    for name in ("README.md", "DEVELOPERS.md", "LICENSE", "docs/pictures/report.png"):
        assert (unpacked_sdist / name).is_file()
    assert (unpacked_sdist / "tests" / "packaging" / Path(__file__).name).is_file()
    assert not list(unpacked_sdist.rglob("__pycache__"))


LOADERS = {
    "bench": load,
    "scenario": load_scenario,
    "programme": load_programme,
    "name": load_dialect,
}
"""By the key that each kind of file begins with."""


@pytest.mark.parametrize("path", CONFIGS, ids=lambda path: path.stem)
def test_every_configuration_loads(path: Path) -> None:
    first = next(iter(yaml.safe_load(path.read_text("utf-8"))))
    assert LOADERS[first](path)

"""docs/bench-file.md has every key of a bench file, with its unit and default, and no other; what
it and the README show of a bench file loads."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from importlib.metadata import entry_points
from pathlib import Path
from typing import Any, get_args

import pytest
import yaml
from autocell_drivers.lasting_line import RECONNECT_S
from autocell_drivers.python_parts import CALL_S
from pydantic import BaseModel
from pydantic.fields import FieldInfo

from autocell.bench import schema
from autocell.bench.clock import VirtualClock
from autocell.bench.file import load
from autocell.errors import BenchFileError, Disconnected
from tests.packaging.conftest import ROOT, blocks

PAGE = (ROOT / "docs" / "bench-file.md").read_text("utf-8")
README = (ROOT / "README.md").read_text("utf-8")
CONFIGS = {path.stem: path.read_text("utf-8") for path in (ROOT / "configs").glob("*.yaml")}
DRIVERS = sorted(point.name for point in entry_points(group="autocell.drivers"))
EVERY_DEVICE = {*schema.DeviceSection.model_fields, "path"}
"""``path`` is the folder of the bench file, and no key."""

AXES = {
    "axes.spacing": [schema.SpacingAxis],
    "axes.NAME": [schema.LinearInputAxis, schema.AngularInputAxis],
}
UNITS = {
    "nm": "nm", "um": "µm", "mm": "mm", "urad": "µrad", "mrad": "mrad", "deg": "deg",
    "mm_per_s": "mm/s", "mrad_per_s": "mrad/s", "mm_per_s2": "mm/s2", "mrad_per_s2": "mrad/s2",
    "mrad_per_mm": "mrad/mm", "mm_per_mrad": "mm/mrad", "mw": "mW", "uw": "µW", "ms": "ms",
    "s": "s", "min": "min", "mhz": "MHz", "k": "K", "percent": "%",
}  # fmt: skip


@dataclass(frozen=True)
class Row:
    """One line of a table: the paths its heading names, and what its cells say."""

    paths: tuple[str, ...]
    key: str
    unit: str
    default: str


def rows() -> list[Row]:
    found = []
    for part in re.split(r"^#+ ", PAGE, flags=re.MULTILINE)[1:]:
        heading, _, text = part.partition("\n")
        paths = tuple(re.findall(r"`([^`]+)`", heading)) or ("",)
        for cells in re.findall(r"^\| `(\w+)` \| ([^|]*) ?\| [^|]+ \| ([^|]+) \|$", text, re.M):
            found.append(Row(paths, cells[0], cells[1].strip(), cells[2]))
    return found


ROWS = rows()


def models_in(field: FieldInfo) -> Iterator[type[BaseModel]]:
    pending: list[Any] = [field.annotation]
    while pending:
        annotation = pending.pop()
        if isinstance(annotation, type) and issubclass(annotation, BaseModel):
            yield annotation
        pending += get_args(annotation)


def sections(path: str, models: list[type[BaseModel]]) -> Iterator[tuple[str, list[Any]]]:
    """Every section at and below a path, with the kinds that may stand there."""
    yield path, models
    for key, fields in keys(models).items():
        below = [model for field in fields for model in models_in(field)]
        if key == "devices":
            yield "devices.NAME", below
        elif below:
            yield from sections(f"{path}.{key}".lstrip("."), below)


def keys(models: list[type[BaseModel]]) -> dict[str, list[FieldInfo]]:
    found: dict[str, list[FieldInfo]] = {}
    for model in models:
        for name, field in model.model_fields.items():
            found.setdefault(field.alias or name, []).append(field)
    return found


SECTIONS = {path: keys(models) for path, models in sections("", [schema.BenchFile])}
for _path, _models in AXES.items():
    SECTIONS |= {path: keys(models) for path, models in sections(_path, _models)}


def of_drivers(row: Row) -> bool:
    return bool(set(row.paths) & set(DRIVERS))


def test_every_key_of_the_schema_is_told_once() -> None:
    assert len(SECTIONS) > 25
    for path, fields in SECTIONS.items():
        told = [row.key for row in ROWS if path in row.paths and not of_drivers(row)]
        assert sorted(told) == sorted({*told}), path
        assert fields.keys() <= {*told}, path


def test_no_key_is_told_that_does_not_exist() -> None:
    for row in ROWS:
        if not of_drivers(row):
            assert {*row.paths} <= SECTIONS.keys(), row
            assert any(row.key in SECTIONS[path] for path in row.paths), row


def test_no_line_of_a_table_is_overlooked() -> None:
    lines = [line for line in PAGE.splitlines() if line.startswith("| ") and "---" not in line]
    assert len(ROWS) == len(lines) - lines.count("| Key | Unit | What it says | Left out |")


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row.paths[0]}.{row.key}")
def test_what_is_told_of_a_key_is_so(row: Row) -> None:
    suffix = row.key
    while suffix and (suffix not in UNITS or suffix == row.key):
        suffix = suffix.partition("_")[2]
    if suffix and not row.key.startswith("units_per"):
        assert row.unit == UNITS[suffix]
    elif row.unit:
        assert row.unit in ("mm/mm", "mrad/mrad")
    if of_drivers(row):
        return
    for path in row.paths:
        for field in SECTIONS[path].get(row.key, []):
            needed_here = path == "cell.entrance_mirror" and row.key == "hole"
            assert needed_here or told_default(row) == default(field)


NEEDED = object()


def told_default(row: Row) -> object:
    if row.default in ("needed", "—"):
        return NEEDED if row.default == "needed" else None
    (text,) = re.findall(r"^`(.+)`$", row.default)
    value = yaml.safe_load(text)
    return float(value) if re.fullmatch(r"\d+e-\d+", text) else value


def default(field: FieldInfo) -> object:
    if field.is_required():
        return NEEDED
    if isinstance(field.default, BaseModel):
        return field.default.model_dump(exclude_defaults=True)
    return field.default


class Opened(Exception):
    """What the line was opened with."""


def keys_of(driver: str) -> set[str]:
    """The keys that a driver says it knows, and that not every device has."""
    (point,) = entry_points(group="autocell.drivers", name=driver)
    with pytest.raises(BenchFileError) as refused:
        point.load()({"no_such_key": 1}, VirtualClock(), None)
    return {*str(refused.value).rpartition("it knows ")[2].split(", ")} - EVERY_DEVICE


@pytest.mark.parametrize("driver", DRIVERS)
def test_the_keys_of_each_driver_are_told(driver: str) -> None:
    told = [row.key for row in ROWS if driver in row.paths]
    assert sorted(told) == sorted(keys_of(driver))


def test_the_defaults_of_drivers_are_theirs() -> None:
    told = {row.key: told_default(row) for row in ROWS if of_drivers(row)}
    assert told["reconnect_s"] == RECONNECT_S
    assert told["call_s"] == CALL_S
    section = {
        "address": "COM1", "identity": "X", "path": str(ROOT / "configs"),
        "dialect": "plain-motion.yaml",
    }  # fmt: skip
    bauds = []

    def connect(address: str, line: Any) -> Any:
        bauds.append(line.baud)
        raise Disconnected(address)

    for driver in ("ascii-motion", "gcode-motion", "scpi-power-meter"):
        (point,) = entry_points(group="autocell.drivers", name=driver)
        known = keys_of(driver) | EVERY_DEVICE
        given = {key: value for key, value in section.items() if key in known}
        with pytest.raises(Disconnected):
            point.load()(given, VirtualClock(), connect)
    assert bauds == [told["baud"]] * 3


def merged(whole: dict[str, Any], part: dict[str, Any]) -> dict[str, Any]:
    """``part`` written over ``whole``. An axis is described in one way: a new one replaces it."""
    ways = {"moves", "adjuster", "slide"}
    kept = {key: value for key, value in whole.items() if not (key in ways and ways & part.keys())}
    for key, value in part.items():
        below = kept.get(key)
        both = isinstance(below, dict) and isinstance(value, dict)
        kept[key] = merged(below, value) if both else value
    return kept


def loads(values: dict[str, Any], folder: Path) -> None:
    file = folder / "bench.yaml"
    file.write_text(yaml.safe_dump(values, sort_keys=False), "utf-8")
    load(file)


def is_whole(values: dict[str, Any]) -> bool:
    return "bench" in values


@pytest.mark.parametrize("block", blocks(PAGE, "yaml"), ids=lambda text: text.splitlines()[-1])
def test_what_the_page_shows_of_a_bench_file_loads(block: str, tmp_path: Path) -> None:
    values = yaml.safe_load(block)
    base = {} if is_whole(values) else yaml.safe_load(CONFIGS["peat-bog"])
    loads(merged(base, values), tmp_path)


def test_the_page_shows_one_whole_file_with_nothing_that_could_be_left_out() -> None:
    (whole,) = (values for values in map(yaml.safe_load, blocks(PAGE, "yaml")) if is_whole(values))
    del whole["laser"]["caution_acknowledged"]  # what its class asks for
    needed = {key for key, fields in SECTIONS[""].items() if fields[0].is_required()}
    assert whole.keys() == needed
    for path in ("laser", "cell", "cell.far_mirror", "input_beam", "power_meter", "caps"):
        section = whole
        for part in path.split("."):
            section = section[part]
        needed = {key for key, fields in SECTIONS[path].items() if fields[0].is_required()}
        assert section.keys() == needed, path


def bench_excerpts() -> list[tuple[str, str]]:
    """Each piece of a bench file in the README, and the shipped file that it is of."""
    part = README.split("\n## A bench file\n")[1].split("\n## ")[0]
    return [(excerpt, shipped_with(excerpt)) for excerpt in blocks(part, "yaml")]


def shipped_with(excerpt: str) -> str:
    """The shipped file that has all lines of an excerpt in their order; the shortest name."""

    def has(text: str) -> bool:
        lines = iter(text.splitlines())
        return all(line in lines for line in excerpt.splitlines())

    return min((name for name, text in CONFIGS.items() if has(text)), key=len)


@pytest.mark.parametrize(
    ("excerpt", "name"), bench_excerpts(), ids=lambda text: text.split("\n")[0]
)
def test_each_piece_in_the_readme_says_what_the_shipped_file_says(
    excerpt: str, name: str, tmp_path: Path
) -> None:
    whole, piece = yaml.safe_load(CONFIGS[name]), yaml.safe_load(excerpt)
    assert piece.keys() <= SECTIONS[""].keys()
    assert merged(whole, piece) == whole
    loads(merged(whole, piece), tmp_path)


def test_the_pieces_in_the_readme_fit_together_in_one_file(tmp_path: Path) -> None:
    values: dict[str, Any] = {}
    for _, name in bench_excerpts():
        values = merged(values, yaml.safe_load(CONFIGS[name]))
    for excerpt, _ in bench_excerpts():
        values = merged(values, yaml.safe_load(excerpt))
    loads(values, tmp_path)

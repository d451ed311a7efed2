"""A scenario file: what stands on the bench, what goes wrong, and when.

    scenario: a bad night (invented)
    seed: 4
    start: six-pass
    axes:
      pitch: {drive: piezo-inertia, step_urad: 0.5}
    faults:
      - fault: late-reply
        device: meter
        ms: 700
        when: {query: 12}

What is wrong with a file is said at once, each fault of it on a line with its place and its cure.
"""

from __future__ import annotations

import difflib
import hashlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from autocell.bench.complaints import Complaint, model_complaints
from autocell.bench.yaml_tree import Path as KeyPath
from autocell.bench.yaml_tree import YamlTree, YamlTreeError, parse
from autocell.errors import UsageError
from autocell_simulators.drives import DriveKind
from autocell_simulators.extras import ExtraName
from autocell_simulators.faults.catalogue import FAULTS
from autocell_simulators.faults.director import Entry
from autocell_simulators.faults.fault import Positive, Rig, Word
from autocell_simulators.faults.schedule import When


class AxisSection(BaseModel):
    """What an axis is made of. Steps are those of piezo drives and steppers."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    drive: DriveKind
    step_um: Positive = 0.1
    step_urad: Positive = 0.5
    settling_ms: Positive = 30.0
    """Time constant of a closed loop."""


class ScenarioSection(BaseModel):
    """The file, but for its axes and faults."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    scenario: Word
    seed: Annotated[int, Field(strict=True, ge=0)] | None = None
    start: Word | None = None
    instruments: list[ExtraName] = []
    axes: dict[str, Any] = {}
    faults: list[dict[str, Any]] = []


class EntrySection(BaseModel):
    """What an entry says beside the magnitudes of its fault."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    when: When | None = None
    for_s: Positive | None = None


@dataclass(frozen=True)
class Scenario:
    """What happens to a bench. ``seed`` draws what is random; None takes that of the bench."""

    name: str = "nothing goes wrong"
    seed: int | None = None
    start: str | None = None
    instruments: Sequence[ExtraName] = ()
    """Those besides the ones of the bench file."""
    axes: Mapping[str, AxisSection] = field(default_factory=dict)
    entries: Sequence[Entry] = ()
    source: str = "scenario"
    """Where it was read, for messages."""
    lines: Mapping[KeyPath, int] = field(default_factory=dict)

    @property
    def fingerprint(self) -> str:
        """The same for all scenarios in which the same happens, whatever file they stand in."""
        happens = (
            self.seed,
            self.start,
            tuple(self.instruments),
            sorted((name, axis.model_dump_json()) for name, axis in self.axes.items()),
            [(entry.fault.name, repr(entry)) for entry in self.entries],
        )
        return hashlib.sha256(repr(happens).encode()).hexdigest()

    def check_axes(self, known: Mapping[str, object]) -> None:
        """Raises UsageError for axes that the bench does not have."""
        _refuse(
            self.source,
            [
                (self._line(("axes", name)), f"axes.{name}", _no_such(name, "axis", known))
                for name in self.axes
                if name not in known
            ],
        )

    def check(self, rig: Rig) -> None:
        """Raises UsageError that names everything that does not suit this bench."""
        found = []
        for index, entry in enumerate(self.entries):
            for key, text in _objections(entry, rig):
                path: KeyPath = ("faults", index, key)
                found.append((self._line(path), _dotted(path), text))
        _refuse(self.source, found)

    def _line(self, path: KeyPath) -> int:
        return next(
            (self.lines[path[:cut]] for cut in range(len(path), 0, -1) if path[:cut] in self.lines),
            0,
        )


def load(path: str | Path) -> Scenario:
    """The scenario in a file. Raises UsageError that lists all that is wrong with it."""
    path = Path(path)
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError as error:
        raise UsageError(f"{path}: there is no such scenario file") from error
    except OSError as error:
        raise UsageError(f"{path}: cannot be read: {error.strerror}") from error
    except UnicodeDecodeError as error:
        raise UsageError(f"{path}: not UTF-8 text; save it as UTF-8") from error
    return read(text, str(path))


def read(text: str, source: str = "scenario") -> Scenario:
    """The scenario in ``text``. Raises UsageError that lists all that is wrong with it."""
    try:
        tree = parse(text)
    except YamlTreeError as error:
        raise UsageError(f"{source}:{error.line}: not valid YAML: {error}") from error
    if not isinstance(tree.values, Mapping):
        raise UsageError(f"{source}:1: not a scenario; it starts with a line 'scenario: NAME'")
    raw = tree.values
    complaints = [
        *model_complaints(ScenarioSection, raw, (), raw),
        *_axis_complaints(raw),
        *_fault_complaints(raw),
    ]
    twice = [
        (
            again.line,
            _dotted(again.path),
            f"this key stands twice, first in line {again.first_line}",
        )
        for again in tree.duplicates
    ]
    _refuse(source, [*twice, *((tree.line(c.path), _dotted(c.path), c.text) for c in complaints)])
    whole = ScenarioSection.model_validate(raw)
    return Scenario(
        whole.scenario,
        whole.seed,
        whole.start,
        whole.instruments,
        {name: AxisSection.model_validate(section) for name, section in whole.axes.items()},
        [entry(section) for section in whole.faults],
        source,
        dict(_lines(tree, raw)),
    )


def entry(section: Mapping[str, Any]) -> Entry:
    """One entry of ``faults``. Raises UsageError that says what is wrong with it."""
    wrong = list(_entry_complaints(section, (), section))
    _refuse("fault", [(0, _dotted(complaint.path), complaint.text) for complaint in wrong])
    around, magnitudes = _parted(section)
    about = EntrySection.model_validate(around)
    fault = FAULTS[section["fault"]].model_validate(magnitudes)
    return Entry(fault, about.when, about.for_s)


def _objections(entry: Entry, rig: Rig) -> Iterator[tuple[str, str]]:
    when = entry.when or When(at_s=0.0)
    if rig.bench is not None or entry.fault.of_the_line:
        yield from entry.fault.objections(rig)
    else:
        yield "fault", f"{entry.fault.name} needs a simulated bench; here is but a line to one"
    counted = (when.move, when.per_move, when.reading, when.per_reading)
    if rig.bench is None and counted != (None,) * 4:
        yield "when", "a line knows no moves and no readings; count queries"


def _parted(section: Mapping[str, Any]) -> tuple[dict[str, Any], dict[str, Any]]:
    """When and how long, and the magnitudes."""
    around = {key: section[key] for key in ("when", "for_s") if key in section}
    return around, {k: v for k, v in section.items() if k not in around and k != "fault"}


def _axis_complaints(raw: Mapping[str, Any]) -> Iterator[Complaint]:
    axes = raw.get("axes")
    for name, section in axes.items() if isinstance(axes, Mapping) else ():
        if isinstance(section, Mapping):
            yield from model_complaints(AxisSection, section, ("axes", name), raw)
        else:
            yield Complaint(("axes", name), "not a section; write {drive: NAME}")


def _fault_complaints(raw: Mapping[str, Any]) -> Iterator[Complaint]:
    faults = raw.get("faults")
    for index, section in enumerate(faults if isinstance(faults, list) else ()):
        if isinstance(section, Mapping):
            yield from _entry_complaints(section, ("faults", index), raw)


def _entry_complaints(
    section: Mapping[str, Any], above: KeyPath, raw: Mapping[str, Any]
) -> Iterator[Complaint]:
    name = section.get("fault")
    if not isinstance(name, str) or name not in FAULTS:
        yield Complaint((*above, "fault"), _no_such(name, "fault", FAULTS))
        return
    around, magnitudes = _parted(section)
    if "when" in around and isinstance(around["when"], Mapping):
        yield from _when_complaints(around["when"], (*above, "when"))
        around = {key: value for key, value in around.items() if key != "when"}
    yield from model_complaints(EntrySection, around, above, raw)
    yield from model_complaints(FAULTS[name], magnitudes, above, raw)
    if "for_s" in section and not FAULTS[name].lasts:
        yield Complaint((*above, "for_s"), f"{name} is over at once; take for_s out")


def _when_complaints(when: Mapping[str, Any], above: KeyPath) -> Iterator[Complaint]:
    try:
        When.model_validate(when)
    except ValidationError as error:
        own = [d for d in error.errors() if d["type"] == "value_error"]
        yield from (
            Complaint(above, str(detail["msg"]).removeprefix("Value error, ")) for detail in own
        )
        if not own:
            yield from model_complaints(When, when, above, when)


def _lines(tree: YamlTree, raw: Mapping[str, Any]) -> Iterator[tuple[KeyPath, int]]:
    for name in raw.get("axes", {}):
        yield ("axes", name), tree.line(("axes", name))
    for index, section in enumerate(raw.get("faults", [])):
        yield ("faults", index), tree.line(("faults", index))
        for key in section:
            yield ("faults", index, key), tree.line(("faults", index, key))


def _no_such(name: object, what: str, known: Mapping[str, object]) -> str:
    near = difflib.get_close_matches(str(name), known, n=1)
    cure = f"did you mean {near[0]}?" if near else f"there are: {', '.join(known)}"
    return f"no {what} {name!r}; {cure}"


def _dotted(path: KeyPath) -> str:
    return "".join(f"[{key}]" if isinstance(key, int) else f".{key}" for key in path).lstrip(".")


def _refuse(source: str, found: Sequence[tuple[int, str, str]]) -> None:
    if found:
        raise UsageError(
            "\n".join(
                f"{source}{f':{line}' if line else ''}: {path}: {text}"
                for line, path, text in sorted(found)
            )
        )

"""A programme as it was loaded, and its file."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import time
from pathlib import Path
from zoneinfo import ZoneInfo

from pydantic import ValidationError

from autocell.bench.complaints import Complaint, model_complaints
from autocell.bench.file import load as load_bench
from autocell.bench.file import shipped
from autocell.bench.yaml_tree import YamlTree, YamlTreeError, parse
from autocell.description import BenchDescription
from autocell.errors import BenchFileError, NoSuchPattern, UsageError
from autocell.patterns import choose_pattern
from autocell.programme.schema import (
    HookSection,
    NoticesSection,
    OnHeld,
    ProgrammeFile,
    StepSection,
    complaint_about_step,
)


@dataclass(frozen=True)
class Change:
    """Set the cell to this pass count."""

    passes: int
    skip_if_held: bool

    def __str__(self) -> str:
        return f"change to {self.passes} passes"


@dataclass(frozen=True)
class Recover:
    """Restore what was proved last: this pass count, or any where it is None."""

    passes: int | None
    skip_if_held: bool

    def __str__(self) -> str:
        return "recover" if self.passes is None else f"recover {self.passes} passes"


@dataclass(frozen=True)
class Settle:
    """Wait for so long."""

    seconds: float
    skip_if_held: bool

    def __str__(self) -> str:
        return f"settle for {self.seconds / 60:g} min"


@dataclass(frozen=True)
class WaitUntil:
    """Wait for a local time: the first one at or after the beginning of the night."""

    local: time
    skip_if_held: bool

    def __str__(self) -> str:
        return f"wait until {self.local:%H:%M}"


Step = Change | Recover | Settle | WaitUntil


@dataclass(frozen=True)
class Programme:
    """What is to be done, and when. ``begins`` is None for a programme that is carried out once."""

    name: str
    path: Path
    bench: BenchDescription
    zone: ZoneInfo
    begins: time | None
    late_start_s: float
    on_held: OnHeld
    hook: HookSection | None
    notices: NoticesSection
    morning_report: bool
    steps: tuple[Step, ...]


def load(path: str | Path) -> Programme:
    """The programme in a file, its bench file loaded and its pass counts found possible.

    Raises UsageError that lists every fault, one a line: file, line, path to the value, and what
    would be right; BenchFileError for those of the bench file.
    """
    path = Path(path).absolute()
    tree = _tree(path)
    complaints = [
        *(Complaint(twice.path, "this key stands twice; keep one") for twice in tree.duplicates),
        *model_complaints(ProgrammeFile, tree.values, (), tree.values),
    ]
    if not complaints:
        complaints = list(_complaints_about_steps(tree))
    _refuse(path, tree, complaints)
    file = ProgrammeFile.model_validate(tree.values)
    try:
        bench = _bench(path, file.bench)
    except BenchFileError:
        raise
    except UsageError as error:
        _refuse(path, tree, [Complaint(("bench",), str(error))])
        raise
    _refuse(path, tree, list(_complaints_about_passes(file, bench)))
    return Programme(
        name=file.programme,
        path=path,
        bench=bench,
        zone=ZoneInfo(file.time_zone),
        begins=file.every_night_at,
        late_start_s=60.0 * file.late_start_min,
        on_held=file.on_held,
        hook=file.hook,
        notices=file.notices or NoticesSection(),
        morning_report=file.morning_report,
        steps=tuple(map(_step, file.steps)),
    )


def _tree(path: Path) -> YamlTree:
    try:
        tree = parse(path.read_text("utf-8"))
    except FileNotFoundError as error:
        raise UsageError(f"{path}: there is no such programme") from error
    except UnicodeDecodeError as error:
        raise UsageError(f"{path}:1: not UTF-8 text; save it as UTF-8") from error
    except OSError as error:
        raise UsageError(f"{path}: cannot be read: {error.strerror}") from error
    except YamlTreeError as error:
        raise UsageError(f"{path}:{error.line}: not valid YAML: {error}") from error
    if not isinstance(tree.values, dict):
        raise UsageError(f"{path}:1: not a programme; it starts with a line 'programme: NAME'")
    return tree


def _refuse(path: Path, tree: YamlTree, complaints: list[Complaint]) -> None:
    lines = sorted((tree.line(fault.path), fault) for fault in complaints)
    if lines:
        raise UsageError(
            "\n".join(f"{path}:{line}: {_dotted(fault)}: {fault.text}" for line, fault in lines)
        )


def _dotted(fault: Complaint) -> str:
    parts = (f"[{part}]" if isinstance(part, int) else f".{part}" for part in fault.path)
    return "".join(parts).lstrip(".")


def _complaints_about_steps(tree: YamlTree) -> Iterator[Complaint]:
    for number, values in enumerate(tree.values["steps"]):
        try:
            wrong = complaint_about_step(StepSection.model_validate(values))
        except ValidationError:  # told already
            continue
        if wrong:
            yield Complaint(("steps", number), wrong)


def _complaints_about_passes(file: ProgrammeFile, bench: BenchDescription) -> Iterator[Complaint]:
    for number, step in enumerate(file.steps):
        for key in ("change", "recover"):
            passes = getattr(step, key)
            if not isinstance(passes, int):
                continue
            try:
                choose_pattern(bench, passes)
            except NoSuchPattern as error:
                yield Complaint(("steps", number, key), str(error))


def _bench(path: Path, name: str) -> BenchDescription:
    """A bench file beside the programme, or the name of one that comes along."""
    beside = path.parent / name
    if beside.exists() or Path(name).suffix or len(Path(name).parts) > 1:
        return load_bench(beside)
    return load_bench(shipped(name))


def _step(step: StepSection) -> Step:
    if step.change is not None:
        return Change(step.change, step.skip_if_held)
    if step.recover is not None:
        return Recover(None if step.recover == "last" else step.recover, step.skip_if_held)
    if step.settle_min is not None:
        return Settle(60.0 * step.settle_min, step.skip_if_held)
    assert step.wait_until is not None
    return WaitUntil(step.wait_until, step.skip_if_held)

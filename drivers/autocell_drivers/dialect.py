"""What a dialect file says: the whole command set of an ASCII motion controller."""

from __future__ import annotations

import codecs
import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Annotated, Literal

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    ValidationError,
    field_validator,
    model_validator,
)

from autocell.bench.yaml_tree import YamlTree, YamlTreeError, parse
from autocell.errors import BenchFileError

NUMBER = r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?"
FLAGS = ("moving", "in_position", "low_limit", "high_limit", "fault", "referenced")

_FIELDS: Mapping[str, set[str]] = {
    "identity": set(),
    "move_to": {"axis", "target"},
    "move_by": {"axis", "amount"},
    "position": {"axis"},
    "status": {"axis"},
    "limits": {"axis"},
    "stop": {"axis"},
    "stop_all": set(),
    "home": {"axis"},
    "set_output": {"output", "state"},
    "output": {"output"},
}
_TOKEN = re.compile(r"\{([a-z_]+)\}")


def _check_send(text: str) -> str:
    if "\r" in text or "\n" in text:
        raise ValueError("line endings belong in command_ending, not here")
    return text


def _check_pattern(text: str) -> str:
    try:
        re.compile(_TOKEN.sub("x", text))
    except re.error as error:
        raise ValueError(f"no regular expression: {error}") from error
    return text


def _hexadecimal(value: object) -> object:
    """``0x10`` is text to YAML 1.2 parsers that read decimal numbers only."""
    if isinstance(value, str) and re.fullmatch(r"0[xX][0-9a-fA-F]+", value):
        return int(value, 16)
    return value


Mask = Annotated[int, BeforeValidator(_hexadecimal), Field(gt=0)]
Template = Annotated[str, Field(min_length=1), AfterValidator(_check_send)]
Pattern = Annotated[str, Field(min_length=1), AfterValidator(_check_pattern)]


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, coerce_numbers_to_str=True)


class Phrase(_Part):
    """What is sent, with ``{axis}`` and the like, and the pattern of what comes back.

    In ``reply``, ``{axis}`` stands for the axis that was asked, ``{number}`` for any decimal
    number; named groups carry the values. No ``reply`` means that nothing answers.
    """

    send: Template
    reply: Pattern | None = None


class Query(Phrase):
    """A phrase that is always answered."""

    reply: Pattern


class StatusBits(_Part):
    """The base of the number in the group ``bits``, and which of its bits mean what."""

    base: Literal[2, 8, 10, 16] = 10
    moving: Mask | None = None
    in_position: Mask | None = None
    low_limit: Mask | None = None
    high_limit: Mask | None = None
    fault: Mask | None = None
    referenced: Mask | None = None


class LinearUnits(_Part):
    """Controller value = offset + position in mm times ``units_per_mm``."""

    units_per_mm: float = Field(1.0, gt=0.0)
    offset: float = 0.0
    decimals: int = Field(ge=0, le=12)


class AngularUnits(_Part):
    """Controller value = offset + position in mrad times ``units_per_mrad``."""

    units_per_mrad: float = Field(1.0, gt=0.0)
    offset: float = 0.0
    decimals: int = Field(ge=0, le=12)


class Units(_Part):
    """Units on the wire per kind of axis. An axis of a kind that is missing is refused."""

    linear: LinearUnits | None = None
    angular: AngularUnits | None = None


class OutputStates(_Part):
    """Words of the controller for an output that opens and closes a shutter."""

    open: str = "1"
    closed: str = "0"


class ErrorReply(_Part):
    """A reply that says no: groups ``code``, ``text`` and ``axis``, each optional."""

    reply: Pattern
    meanings: Mapping[str, str] = Field(default_factory=dict)


class Dialect(_Part):
    """The whole of a dialect file."""

    name: str
    encoding: str = "ascii"
    command_ending: str = Field(min_length=1)
    reply_ending: str = Field(min_length=1)
    echo: bool = False
    checksum: Literal["none", "xor", "sum8"] = "none"
    """Of the text before the separator, as two upper-case hexadecimal digits after it."""
    checksum_separator: str = ""
    reply_time_ms: float = Field(300.0, gt=0.0)
    moving_bit_lag_ms: float = Field(0.0, ge=0.0)
    axis_names: Mapping[int, str] = Field(default_factory=dict)
    identity: Query
    move_to: Phrase | None = None
    """An absolute move; without one, every move is sent as :attr:`move_by`."""
    move_by: Phrase | None = None
    position: Query
    status: Query
    status_bits: StatusBits | None = None
    limits: Query | None = None
    stop: Phrase
    stop_all: Phrase
    home: Phrase | None = None
    set_output: Phrase | None = None
    output: Query | None = None
    output_states: OutputStates = OutputStates()
    error: ErrorReply | None = None
    units: Units

    @field_validator("encoding")
    @classmethod
    def _known_encoding(cls, name: str) -> str:
        try:
            codecs.lookup(name)
        except LookupError as error:
            raise ValueError(f"no encoding is called {name!r}; write ascii or latin-1") from error
        return name

    @model_validator(mode="after")
    def _complete(self) -> Dialect:
        _needs_group(self.identity, "identity", "identity")
        _needs_group(self.position, "position", "position")
        if self.limits is not None:
            _needs_group(self.limits, "limits", "low")
            _needs_group(self.limits, "limits", "high")
        if self.output is not None:
            _needs_group(self.output, "output", "state")
        if self.move_to is None and self.move_by is None:
            raise ValueError("there is no move; write move_to, or move_by where it knows no other")
        if self.move_to is not None and "{target}" not in self.move_to.send:
            raise ValueError("move_to.send names no {target}")
        if self.move_by is not None and "{amount}" not in self.move_by.send:
            raise ValueError("move_by.send names no {amount}")
        for key, fields in _FIELDS.items():
            phrase: Phrase | None = getattr(self, key)
            if phrase is not None:
                _check_fields(key, phrase, fields)
                _check_encoding(f"{key}.send", phrase.send, self.encoding)
        for name in (*self.axis_names.values(), self.command_ending, self.reply_ending):
            _check_encoding("the axis names and endings", name, self.encoding)
        if self.status_bits is not None:
            _needs_group(self.status, "status", "bits")
        named = self.status_flags()
        if ("moving" in named) == ("in_position" in named):
            raise ValueError(
                "status must tell either moving or in_position, by one of status_bits or by a "
                "named group of status.reply"
            )
        return self

    def status_flags(self) -> set[str]:
        """Which of :data:`FLAGS` a status reply tells."""
        if self.status_bits is not None:
            return {flag for flag in FLAGS if getattr(self.status_bits, flag) is not None}
        return {flag for flag in FLAGS if f"(?P<{flag}>" in self.status.reply}


def _needs_group(query: Query, key: str, group: str) -> None:
    if f"(?P<{group}>" not in query.reply:
        raise ValueError(f"{key}.reply needs the named group (?P<{group}>…)")


def _check_fields(key: str, phrase: Phrase, fields: set[str]) -> None:
    known = ", ".join(f"{{{name}}}" for name in sorted(fields)) or "none"
    for text, also in ((phrase.send, set()), (phrase.reply or "", {"number"})):
        unknown = [name for name in _TOKEN.findall(text) if name not in fields | also]
        if unknown:
            raise ValueError(f"{key}: unknown field {{{unknown[0]}}}; its fields are: {known}")


def _check_encoding(key: str, text: str, encoding: str) -> None:
    try:
        text.encode(encoding)
    except UnicodeEncodeError as error:
        raise ValueError(f"{key}: {text!r} cannot be written in {encoding}") from error


def load_dialect(path: Path) -> Dialect:
    """Read a dialect file. Raises BenchFileError naming file, line, path to the value and cure."""
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise BenchFileError(
            f"dialect file {path} cannot be read ({error}); write its path relative to the bench "
            "file"
        ) from error
    try:
        tree = parse(text)
    except YamlTreeError as error:
        raise BenchFileError(f"{path}:{error.line}: not valid YAML: {error}") from error
    for twice in tree.duplicates:
        raise BenchFileError(
            f"{path}:{twice.line}: {_dotted(twice.path)}: this key stands twice, first in line "
            f"{twice.first_line}; keep one"
        )
    if not isinstance(tree.values, dict):
        raise BenchFileError(f"{path}:1: not a dialect; it starts with a line 'name: NAME'")
    try:
        return Dialect.model_validate(tree.values)
    except ValidationError as error:
        raise BenchFileError(_explain(path, error, tree)) from error


def _explain(path: Path, error: ValidationError, tree: YamlTree) -> str:
    found = error.errors()[0]
    key = _dotted(found["loc"])
    where = f"{path}:{tree.line(found['loc'])}: {key}".removesuffix(": ")
    if found["type"] == "extra_forbidden":
        return f"{where}: no key of a dialect; check its spelling or take it out"
    if found["type"] == "missing":
        return f"{where}: missing; write it with a value"
    return f"{where}: {found['msg'].removeprefix('Value error, ')}"


def _dotted(place: Sequence[str | int]) -> str:
    return ".".join(str(step) for step in place)

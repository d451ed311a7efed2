"""A YAML file as plain values, with the line of every one of them.

Scalars follow the core schema of YAML 1.2: ``1e-3`` is a number, ``010`` is ten, ``on`` is a
word, ``10:30`` is text. A key that appears twice in one mapping is an error, not an overwrite.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import yaml

Path = tuple[str | int, ...]


class YamlTreeError(ValueError):
    """The text is not YAML that can be used; ``line`` counts from 1."""

    def __init__(self, line: int, problem: str) -> None:
        super().__init__(problem)
        self.line = line


class _CoreSchemaLoader(yaml.SafeLoader):
    yaml_implicit_resolvers: dict[str, list[tuple[str, re.Pattern[str]]]] = {}  # noqa: RUF012


def _decimal(loader: yaml.SafeLoader, node: yaml.ScalarNode) -> int:
    return int(loader.construct_scalar(node), 10)


def _real(loader: yaml.SafeLoader, node: yaml.ScalarNode) -> float:
    return float(
        loader.construct_scalar(node).lower().replace(".inf", "inf").replace(".nan", "nan")
    )


_CoreSchemaLoader.add_constructor("tag:yaml.org,2002:int", _decimal)
_CoreSchemaLoader.add_constructor("tag:yaml.org,2002:float", _real)
for _tag, _pattern, _first in (
    ("null", r"~|null|Null|NULL|", ["~", "n", "N", ""]),
    ("bool", r"true|True|TRUE|false|False|FALSE", list("tTfF")),
    ("int", r"[-+]?[0-9]+", list("-+0123456789")),
    (
        "float",
        r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?"
        r"|[-+]?(\.inf|\.Inf|\.INF)|\.nan|\.NaN|\.NAN",
        list("-+.0123456789"),
    ),
):
    _CoreSchemaLoader.add_implicit_resolver(
        f"tag:yaml.org,2002:{_tag}", re.compile(f"(?:{_pattern})$"), _first
    )


@dataclass(frozen=True)
class Duplicate:
    """A key that stands twice in one mapping: where, and where it stood first."""

    path: Path
    line: int
    first_line: int


@dataclass(frozen=True)
class YamlTree:
    """A parsed file: ``values`` as plain dicts, lists and scalars; lines on request."""

    values: Any
    duplicates: Sequence[Duplicate]
    _root: yaml.Node | None

    def line(self, path: Path) -> int:
        """The line (from 1) of the key at ``path``, or of the nearest parent that exists."""
        node, line = self._root, 1
        for part in path:
            if isinstance(node, yaml.MappingNode):
                found = [pair for pair in node.value if pair[0].value == part]
                if not found:
                    break
                line, node = found[0][0].start_mark.line + 1, found[0][1]
            elif isinstance(node, yaml.SequenceNode) and isinstance(part, int):
                if part >= len(node.value):
                    break
                node = node.value[part]
                line = node.start_mark.line + 1
            else:
                break
        return line


def parse(text: str) -> YamlTree:
    """The values of ``text`` and their lines. Raises YamlTreeError."""
    loader: yaml.SafeLoader | None = None
    try:
        loader = _CoreSchemaLoader(text)
        root = loader.get_single_node()
        duplicates = list(_duplicates(root, (), frozenset()))
        values = None if root is None else _values(loader, root)
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        raise YamlTreeError(
            1 if mark is None else mark.line + 1, error.problem or str(error)
        ) from error
    except yaml.YAMLError as error:
        raise YamlTreeError(1, str(error).splitlines()[0]) from error
    finally:
        if loader is not None:
            loader.dispose()
    return YamlTree(values, duplicates, root)


def _values(loader: yaml.SafeLoader, node: yaml.Node) -> Any:
    if isinstance(node, yaml.MappingNode):
        return {_key(key): _values(loader, value) for key, value in node.value}
    if isinstance(node, yaml.SequenceNode):
        return [_values(loader, item) for item in node.value]
    try:
        return loader.construct_object(node)
    except ValueError as error:
        raise YamlTreeError(node.start_mark.line + 1, str(error)) from error


def _key(node: yaml.Node) -> str:
    if not isinstance(node, yaml.ScalarNode):
        raise YamlTreeError(node.start_mark.line + 1, "a key must be a plain word")
    return str(node.value)


def _duplicates(node: yaml.Node | None, path: Path, above: frozenset[int]) -> Iterator[Duplicate]:
    if node is None:
        return
    if id(node) in above:
        raise YamlTreeError(node.start_mark.line + 1, "an alias that contains itself")
    above = above | {id(node)}
    if isinstance(node, yaml.MappingNode):
        seen: dict[str, int] = {}
        for key_node, value in node.value:
            key, line = _key(key_node), key_node.start_mark.line + 1
            if key in seen:
                yield Duplicate((*path, key), line, seen[key])
            seen.setdefault(key, line)
            yield from _duplicates(value, (*path, key), above)
    elif isinstance(node, yaml.SequenceNode):
        for index, item in enumerate(node.value):
            yield from _duplicates(item, (*path, index), above)


def at(values: Any, path: Path) -> Any:
    """The value at ``path``; None where there is none."""
    for part in path:
        if isinstance(values, Mapping):
            values = values.get(part)
        elif isinstance(values, list) and isinstance(part, int) and part < len(values):
            values = values[part]
        else:
            return None
    return values

"""The same bench file with other addresses."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from pathlib import Path

import yaml


def readdressed(path: Path, addresses: Mapping[str, str]) -> str:
    """The text of the bench file at ``path``, devices named in ``addresses`` at their new ones.

    Comments and order stay. Files that a device names relative to the bench file are named in
    full, so that the text may be stored anywhere.

    Raises:
        OSError: the bench file cannot be read.
    """
    text = path.read_text(encoding="utf-8")
    changes = sorted(_changes(text, path.absolute().parent, addresses), reverse=True)
    for start, end, value in changes:
        text = text[:start] + json.dumps(value) + text[end:]  # JSON strings are YAML
    return text


def _changes(
    text: str, folder: Path, addresses: Mapping[str, str]
) -> Iterator[tuple[int, int, str]]:
    """Where each changed value starts and ends in the text, and what comes there."""
    devices = _entries(yaml.compose(text)).get("devices")
    for name, device in _entries(devices).items():
        for key, value in _entries(device).items():
            if not isinstance(value, yaml.ScalarNode):
                continue
            place = value.start_mark.index, value.end_mark.index
            if key == "address" and name in addresses:
                yield *place, addresses[name]
            elif value.value and (folder / value.value).is_file():
                yield *place, str(folder / value.value)


def _entries(node: yaml.Node | None) -> dict[str, yaml.Node]:
    if not isinstance(node, yaml.MappingNode):
        return {}
    return {key.value: value for key, value in node.value}

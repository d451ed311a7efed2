"""The shipped bench, and that bench with lines of its file replaced."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from autocell.bench.file import load, shipped
from autocell.description import BenchDescription

Bench = Callable[..., BenchDescription]


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    """Load the shipped file with some text replaced, each wherever it stands."""

    def loaded(*changes: tuple[str, str]) -> BenchDescription:
        text = shipped("peat-bog").read_text("utf-8")
        for old, new in changes:
            assert old in text
            text = text.replace(old, new)
        file = tmp_path / "bench.yaml"
        file.write_text(text, "utf-8")
        return load(file)

    return loaded

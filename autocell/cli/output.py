"""Where results go: standard output carries the result and nothing else."""

from __future__ import annotations

import sys
from typing import Any

from rich.console import Console
from rich.text import Text

_WIDE = 120
"""Columns where nobody sees a terminal, so that tables are not cut."""


def out() -> Console:
    """Standard output, for results."""
    return _console(stderr=False)


def err() -> Console:
    """Standard error, for progress, cautions and hints."""
    return _console(stderr=True)


def _console(*, stderr: bool) -> Console:
    stream = sys.stderr if stderr else sys.stdout
    width = None if stream.isatty() else _WIDE
    return Console(stderr=stderr, highlight=False, width=width)


def as_json(value: Any) -> str:
    """JSON text, with null for what JSON has no number for."""
    from pydantic_core import to_json

    return to_json(value, indent=2, inf_nan_mode="null").decode()


def print_json(value: Any) -> None:
    """One JSON value on standard output."""
    print(as_json(value), flush=True)


def say(console: Console, text: str, style: str = "") -> None:
    """A line that is never folded, so that paths in it can be copied."""
    console.print(Text(text, style=style), soft_wrap=True)

"""Where results go: standard output carries the result and nothing else."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Any

from rich.console import Console
from rich.text import Text

if TYPE_CHECKING:
    from rich.table import Table

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


def table(*, header: bool = False, gap: int = 2) -> Table:
    """A table without lines, its columns ``gap`` characters apart."""
    from rich.table import Table

    return Table(
        box=None,
        show_header=header,
        pad_edge=False,
        padding=(0, gap, 0, 0),
        header_style="dim",
    )


def say(console: Console, text: str, style: str = "") -> None:
    """A line that is never folded, so that paths in it can be copied."""
    console.print(Text(text, style=style), soft_wrap=True)

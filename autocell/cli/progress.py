"""Shows on standard error what a procedure does: live on a terminal, plain lines elsewhere."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager

from rich.console import Console, RenderableType
from rich.live import Live
from rich.spinner import Spinner
from rich.table import Table
from rich.text import Text

from autocell.cli import output
from autocell.procedures.progress import Listener, Progress
from autocell.report import words

_COLUMNS = f"{'time':>7}  {'stage':<9}  {'spacing':>10}  {'power':>8}  {'passes':<13}  what"


@contextmanager
def shown() -> Iterator[Listener]:
    """A listener that shows what it is told while this lasts."""
    console = output.err()
    if console.is_terminal:
        with _live(console) as listener:
            yield listener
        return
    lines = _Lines(console)
    yield lines.add


@contextmanager
def _live(console: Console) -> Iterator[Listener]:
    """Readings scroll by; below them one line tells what is under way."""
    now = _Now()
    lines = _Lines(console)
    with Live(now, console=console, refresh_per_second=8, transient=True):

        def tell(progress: Progress) -> None:
            now.take(progress)
            if progress.reading is not None or not _is_move(progress):
                lines.add(progress)

        yield tell


class _Now:
    """The line that lives: what is under way, and the best guess so far."""

    def __init__(self) -> None:
        self._began_s = time.monotonic()
        self._spinner = Spinner("line", style="cyan")
        self._text = "opening the bench"
        self._guess = ""
        self._readings = 0

    def take(self, progress: Progress) -> None:
        """Something happened."""
        self._text = f"{progress.stage}: {progress.text}"
        self._readings = progress.readings
        if progress.reading is not None:
            self._text = f"{progress.stage}: thinking about where to read next"
            self._guess = f", now at {_guess(progress)}"

    def __rich__(self) -> RenderableType:
        readings = words.count(self._readings, "reading")
        elapsed_s = time.monotonic() - self._began_s
        row = Table.grid(padding=(0, 1))
        row.add_column(no_wrap=True)
        row.add_column(overflow="fold")
        row.add_row(
            self._spinner,
            Text.assemble(self._text, (f"   {readings}, {elapsed_s:.0f} s{self._guess}", "dim")),
        )
        return row


class _Lines:
    """What happened, line by line below the heads of the columns."""

    def __init__(self, console: Console) -> None:
        self._console = console
        self._begun = False

    def add(self, progress: Progress) -> None:
        """One more line."""
        if not self._begun:
            output.say(self._console, _COLUMNS, "dim")
            self._begun = True
        output.say(self._console, line(progress))


def line(progress: Progress) -> str:
    """One thing that happened, in columns."""
    reading = progress.reading
    spacing = "" if reading is None else f"{reading.setting.spacing_m * 1e3:.3f} mm"
    power = "" if reading is None else f"{reading.power_w * 1e3:.3f} mW"
    return (
        f"{progress.elapsed_s:5.1f} s  {progress.stage:<9}  {spacing:>10}  {power:>8}  "
        f"{_guess(progress):<13}  {progress.text}"
    ).rstrip()


def _guess(progress: Progress) -> str:
    """The most probable pass count and its probability, never rounded up to certainty."""
    if progress.passes is None or progress.probability is None:
        return ""
    probability = progress.probability
    known = "> 0.99" if probability > 0.99 else f"{probability:.2f}"
    return f"{progress.passes} ({known})"


def _is_move(progress: Progress) -> bool:
    """Whether this only announces a reading that will be told of itself."""
    return progress.text.endswith(" mm") and ", at " in progress.text

"""The file of a comparison: what it is of, and one line of JSON for each run.

A comparison that was stopped goes on where it was; a torn last line is cut off. Each time that
something is run, a line says with what.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Iterable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

Key = tuple[str, str, str, int]


@dataclass(frozen=True)
class Run:
    """What one run came to.

    ``passes`` is the simulator's truth at the end, 0 in the dark. ``first`` is the number of the
    first reading that had the wanted passes, ``settled`` of the one from which on the best reading
    had them, or of the one that completed the proof; None where that never was. ``claim`` is what
    the tool itself says of its end.
    """

    index: int
    method: str
    objective: str
    start: str
    passes: int
    readings: int
    first: int | None
    settled: int | None
    cpu_s: float
    claim: str | None = None

    @property
    def key(self) -> Key:
        """Which run this is."""
        return self.method, self.objective, self.start, self.index


class ResultsFile:
    """The results on disk. Raises ValueError for a file of another comparison."""

    def __init__(self, path: Path, contest: dict[str, Any]) -> None:
        self.path = path
        self.runs: dict[Key, Run] = {}
        self.facts: dict[str, dict[str, Any]] = {}
        content = path.read_bytes() if path.exists() else b""
        whole = content[: content.rfind(b"\n") + 1]
        lines = [json.loads(line) for line in whole.splitlines()]
        if lines and lines[0] != contest:
            raise ValueError(f"{path}: of another comparison: {lines[0]} there, {contest} now")
        if whole != content:
            path.write_bytes(whole)
        if not lines:
            self._append([contest])
        for line in lines[1:]:
            self._take(line)

    def add(self, runs: Iterable[Run]) -> None:
        """Write runs down; one that was made again replaces the earlier one."""
        lines = [asdict(run) for run in runs]
        self._append(lines)
        for line in lines:
            self._take(line)

    def tell(self, leg: str, facts: dict[str, Any]) -> None:
        """Write down with what a leg of the comparison is run."""
        line = {"leg": leg, **facts}
        self._append([line])
        self._take(line)

    def forget(self, leg: str, methods: Collection[str]) -> None:
        """Drop what there is of a leg with these methods, so that it is run again."""
        self.facts.pop(leg, None)
        kept = [run for run in self.runs.values() if run.method not in methods]
        first = self.path.read_bytes().splitlines(keepends=True)[0]
        lines = [*self.facts.values(), *(asdict(run) for run in kept)]
        new = self.path.with_suffix(".new")
        new.write_bytes(first + b"".join(json.dumps(line).encode() + b"\n" for line in lines))
        new.replace(self.path)
        self.runs = {run.key: run for run in kept}

    def _take(self, line: dict[str, Any]) -> None:
        if "leg" not in line:
            run = Run(**line)
            self.runs[run.key] = run
            return
        source, earlier = line["source"], self.facts.get(line["leg"], line)["source"]
        if source not in earlier:  # a leg that was stopped may go on with another one
            earlier = f"{earlier}, then {source}"
        self.facts[line["leg"]] = line | {"source": earlier}

    def _append(self, lines: list[dict[str, Any]]) -> None:
        with self.path.open("ab") as file:
            file.write(b"".join(json.dumps(line).encode() + b"\n" for line in lines))

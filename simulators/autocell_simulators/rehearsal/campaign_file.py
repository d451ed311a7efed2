"""The file of a campaign: one line that says which, and what code made it, then one line of JSON
for each bench.

A line is written when its bench is done, so that a campaign that was stopped, or whose machine
went down, goes on where it was. The last line may be torn; it is cut off and its bench rehearsed
again. Whoever has other code can read what there is, and adds nothing to it.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from autocell.errors import StoreError, UsageError
from autocell_simulators.rehearsal.code import Code, present_code
from autocell_simulators.rehearsal.one import REHEARSAL, Rehearsal
from autocell_simulators.rehearsal.plan import Plan

_CODE = ("version", "code")
"""Keys of the header that say who made the results, and not which they are."""


class CampaignFile:
    """The results of one campaign on disk; ``code`` is what makes those that are added.

    Raises UsageError when the file at ``path`` is none, or that of another campaign; StoreError
    when it cannot be read or written.
    """

    def __init__(self, path: Path, plan: Plan, code: Code | None = None) -> None:
        self.path = path
        self._code = present_code() if code is None else code
        self._header = _header(plan, self._code)
        self._made_by: Code | None = self._code
        try:
            self.results = self._read()
        except OSError as error:
            raise StoreError(
                f"{path}: the campaign file cannot be used: {error.strerror}"
            ) from error

    def check_code(self) -> None:
        """Raises UsageError where other code than this has made the file: results of two are no
        campaign. One of before the code was written down was made by other code."""
        if self._made_by is not None and self._made_by.sha256 == self._code.sha256:
            return
        was = "one that did not say which" if self._made_by is None else self._made_by.in_words
        raise UsageError(
            f"{self.path}: was made by other code ({was}; this is {self._code.in_words}); go on "
            "with that code, or give another --file"
        )

    def append(self, rehearsal: Rehearsal) -> None:
        """Write one result; twice the same index does no harm. Raises StoreError."""
        try:
            self._append(REHEARSAL.dump_json(rehearsal))
        except OSError as error:
            raise StoreError(
                f"{self.path}: result {rehearsal.index} cannot be written: {error.strerror}; make "
                "room and start again with this file"
            ) from error
        self.results[rehearsal.index] = rehearsal

    def _read(self) -> dict[int, Rehearsal]:
        self.path.parent.mkdir(parents=True, exist_ok=True)
        content = self.path.read_bytes() if self.path.exists() else b""
        end = content.rfind(b"\n") + 1
        whole, torn = content[:end], content[end:]
        if not whole and not self._header_line.startswith(torn):
            raise self._not_a_campaign()
        results = self._parse(whole.splitlines()) if whole else {}
        if torn:  # only now that the file is known to be ours
            with self.path.open("r+b") as file:
                file.truncate(end)
        if not whole:
            self._append(self._header_line)
        return results

    def _parse(self, lines: list[bytes]) -> dict[int, Rehearsal]:
        self._check_header(lines[0])
        results: dict[int, Rehearsal] = {}
        for number, line in enumerate(lines[1:], start=2):
            try:
                rehearsal = REHEARSAL.validate_json(line)
            except ValidationError as error:
                raise UsageError(
                    f"{self.path}:{number}: not a result of a rehearsal; remove this line to have "
                    "its bench rehearsed again"
                ) from error
            results[rehearsal.index] = rehearsal
        return results

    @property
    def _header_line(self) -> bytes:
        return json.dumps(self._header).encode()

    def _append(self, line: bytes) -> None:
        # unbuffered and appending: the line is on disk, and whole, or there was an error
        with self.path.open("ab", buffering=0) as file:
            file.write(line + b"\n")

    def _check_header(self, line: bytes) -> None:
        try:
            found = json.loads(line)
        except ValueError:
            found = None
        if not isinstance(found, dict) or found.keys() | {"code"} != self._header.keys():
            raise self._not_a_campaign()
        other = [
            f"{key} {found[key]!r} there, {value!r} now"
            for key, value in self._header.items()
            if key not in _CODE and found[key] != value
        ]
        if other:
            raise UsageError(
                f"{self.path}: belongs to another campaign ({'; '.join(other)}); give another "
                "--file, or the same arguments as then"
            )
        try:
            self._made_by = Code(found["version"], **found["code"]) if "code" in found else None
        except TypeError as error:
            raise self._not_a_campaign() from error

    def _not_a_campaign(self) -> UsageError:
        return UsageError(f"{self.path}: not the file of a campaign; give another --file")


def _header(plan: Plan, code: Code) -> dict[str, Any]:
    header = {
        "rehearsal": "change",
        "passes": plan.passes,
        "seed": plan.seed,
        "tolerances": plan.scale,
        "learned_by": plan.learned_by,
        "bench_sha256": plan.description.sha256,
        "version": code.version,
        "code": code.as_json(),
    }
    if plan.scenario is not None:
        header["scenario"] = plan.scenario.fingerprint
    if plan.start is not None:
        header["start"] = plan.start
    return header

"""The tables of a run: columns with their units, row for row as they were written down."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from autocell.records import EventRecord, MoveRecord, ReadingRecord, RunRecord

TableName = Literal["readings", "moves", "events"]
Cell = str | float | int | None


@dataclass(frozen=True)
class Column:
    """One quantity: its name, its unit (``""`` for a text or a number without), its values.

    A value that is not known is None.
    """

    name: str
    unit: str
    values: tuple[Cell, ...]
    is_text: bool = False


@dataclass(frozen=True)
class Table:
    """Columns of one length."""

    name: TableName
    about: str
    columns: tuple[Column, ...]

    def rows(self) -> list[tuple[Cell, ...]]:
        """Row by row."""
        return list(zip(*(column.values for column in self.columns), strict=True))


def tables(run: RunRecord, units: dict[str, str]) -> tuple[Table, ...]:
    """Readings, moves and events of a run. ``units`` is that of each axis, m or rad; the unit of
    a move stands in its row, since axes differ in it."""
    return (
        Table("readings", "powers that were used, the dark level subtracted", _readings(run)),
        Table(
            "moves", "commands to axes, each written down before it was sent", _moves(run, units)
        ),
        Table("events", "anything else that was written down", _events(run)),
    )


def _column(
    name: str,
    unit: str,
    records: Sequence[Any],
    value: Callable[[Any], Cell],
    *,
    is_text: bool = False,
) -> Column:
    return Column(name, unit, tuple(value(record) for record in records), is_text)


def _readings(run: RunRecord) -> tuple[Column, ...]:
    records: tuple[ReadingRecord, ...] = run.readings
    return (
        _column("number", "", records, lambda r: r.number),
        _column("time_s", "s", records, lambda r: r.reading.time_s),
        _column("utc", "", records, lambda r: r.utc.isoformat(), is_text=True),
        _column("spacing_m", "m", records, lambda r: r.reading.setting.spacing_m),
        _column("x_m", "m", records, lambda r: r.reading.setting.x_m),
        _column("y_m", "m", records, lambda r: r.reading.setting.y_m),
        _column("slope_x", "rad", records, lambda r: r.reading.setting.slope_x),
        _column("slope_y", "rad", records, lambda r: r.reading.setting.slope_y),
        _column("power_w", "W", records, lambda r: r.reading.power_w),
        _column("uncertainty_w", "W", records, lambda r: r.reading.uncertainty_w),
        _column("samples", "", records, lambda r: r.reading.samples),
        _column("purpose", "", records, lambda r: r.purpose, is_text=True),
    )


def _moves(run: RunRecord, units: dict[str, str]) -> tuple[Column, ...]:
    records: tuple[MoveRecord, ...] = run.moves
    return (
        _column("number", "", records, lambda m: m.number),
        _column("axis", "", records, lambda m: m.axis, is_text=True),
        _column("unit", "", records, lambda m: units.get(m.axis, ""), is_text=True),
        _column("start", "", records, lambda m: m.start),
        _column("target", "", records, lambda m: m.target),
        _column("position", "", records, lambda m: m.position),
        _column("outcome", "", records, lambda m: m.outcome, is_text=True),
        _column("purpose", "", records, lambda m: m.purpose, is_text=True),
        _column("intended_s", "s", records, lambda m: m.intended_s),
        _column("intended_utc", "", records, lambda m: m.intended_utc.isoformat(), is_text=True),
        _column("ended_s", "s", records, lambda m: m.ended_s),
        _column(
            "ended_utc", "", records,
            lambda m: None if m.ended_utc is None else m.ended_utc.isoformat(), is_text=True,
        ),
    )  # fmt: skip


def _events(run: RunRecord) -> tuple[Column, ...]:
    records: tuple[EventRecord, ...] = run.events
    return (
        _column("number", "", records, lambda e: e.number),
        _column("time_s", "s", records, lambda e: e.time_s),
        _column("utc", "", records, lambda e: e.utc.isoformat(), is_text=True),
        _column("kind", "", records, lambda e: e.kind, is_text=True),
        _column("text", "", records, lambda e: e.text, is_text=True),
    )

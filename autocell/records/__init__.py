"""The write-ahead journal and the run store."""

from autocell.records.run import (
    BROKE_OFF,
    CLEAR_UP,
    TOLD_TO_END,
    AxisMeasurement,
    EventRecord,
    MoveRecord,
    ReadingRecord,
    RunRecord,
    RunSummary,
    StepCount,
    StepGain,
    Whereabouts,
)
from autocell.records.store import Store, default_path
from autocell.records.writer import RunWriter

__all__ = [
    "BROKE_OFF",
    "CLEAR_UP",
    "TOLD_TO_END",
    "AxisMeasurement",
    "EventRecord",
    "MoveRecord",
    "ReadingRecord",
    "RunRecord",
    "RunSummary",
    "RunWriter",
    "StepCount",
    "StepGain",
    "Store",
    "Whereabouts",
    "default_path",
]

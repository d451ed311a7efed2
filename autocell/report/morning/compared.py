"""A night in numbers: before, after and at the reference setting."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from autocell.outcome import Outcome
from autocell.records import RunRecord
from autocell.recovery import Condition, Ratio
from autocell.report.morning.morning import Morning
from autocell.report.morning.rows import began, ended, told
from autocell.trends.recorded import last_reading, least_margin_nights, positions

COMPARED_HEAD = ("", "Reference", "Before", "After")

Number = tuple[float, float] | None
"""A value with its standard uncertainty."""

_SAME_PLACE_M = 0.2e-3
"""Settings closer than this along the spacing are one pattern's. [trade]"""


@dataclass(frozen=True)
class Compared:
    """One quantity: its ``numbers`` at the reference setting, before and after the night, SI;
    ``factor`` makes ``unit`` of them."""

    words: str
    unit: str
    factor: float
    numbers: tuple[Number, Number, Number]
    digits: int = 0
    """After the point, where no uncertainty says how many."""

    def cells(self) -> tuple[str, str, str, str]:
        """As :data:`COMPARED_HEAD` says."""
        label = f"{self.words} / {self.unit}" if self.unit else self.words
        reference, before, after = map(self._told, self.numbers)
        return label, reference, before, after

    def _told(self, number: Number) -> str:
        if number is None:
            return ""
        value, u = self.factor * number[0], self.factor * number[1]
        return told(value, u) if u > 0.0 else f"{value:.{self.digits}f}".replace("-", "−")


def compared(morning: Morning) -> list[Compared]:
    """Every quantity that is known of at least one of the three."""
    before, after = _before(morning), _after(morning)
    reference = morning.reference.outcome if morning.reference is not None else None
    recovery = morning.recovery
    seen = recovery.reference.condition if recovery is not None else _condition(reference)
    ratios: tuple[Ratio | None, Ratio | None] = (None, None)
    if recovery is not None:
        is_last = morning.recovery_run is morning.last
        ratios = recovery.power_before, recovery.power_after if is_last else None
    ratio_before, ratio_after = map(_ratio, ratios)
    rows = [
        Compared("Power out of the cell", "mW", 1e3, (
            _power(seen, morning.reference),
            _power(before, None) or _first_power(morning),
            _power(after, morning.last),
        )),
        Compared("Power over that of the reference", "", 1.0, (None, ratio_before, ratio_after)),
        Compared("Laser, by the reference meter", "µW", 1e6,
                 (_laser(seen), _laser(before), _laser(after))),
        Compared("Temperature", "°C", 1.0,
                 (_temperature(seen), _temperature(before), _temperature(after)), digits=1),
        *_axes(morning),
        *(
            Compared(label, unit, factor, (get(reference), None, get(morning.outcome)))
            for label, unit, factor, get in (
                ("Path length", "m", 1.0, _path),
                ("Throughput", "", 1.0, _throughput),
                ("Reflectivity of the mirrors", "", 1.0, _reflectivity),
                ("Least margin", "nights of drift", 1.0, _margin),
            )
        ),
    ]  # fmt: skip
    return [row for row in rows if any(row.numbers)]


def _axes(morning: Morning) -> list[Compared]:
    """Where the axes stood, as they read back; those that stood still are left out."""
    reference = None if morning.reference is None else positions(morning.bench, morning.reference)
    run = _run_before(morning)
    began_at = {} if run is None else began(run)
    ended_at = ended(morning)
    rows = []
    for axis in morning.bench.axes.values():
        places = [
            None if at is None else at.get(axis.name) for at in (reference, began_at, ended_at)
        ]
        known = [place for place in places if place is not None]
        if known and max(known) - min(known) > axis.repeatability:
            u = axis.repeatability
            at, before, after = (None if place is None else (place, u) for place in places)
            rows.append(Compared(f"Position of {axis.name}", axis.unit, 1e3, (at, before, after)))
    return rows


def _run_before(morning: Morning) -> RunRecord | None:
    """The run at whose beginning the night is looked at: the recovery that compared the power, else
    the first that says where the axes stood."""
    if _before(morning) is not None:
        return morning.recovery_run
    return next((run for run in morning.runs if began(run)), None)


def _before(morning: Morning) -> Condition | None:
    recovery = morning.recovery
    return None if recovery is None else recovery.before


def _after(morning: Morning) -> Condition | None:
    """What the run that ended last has left; what an earlier one left is of another moment."""
    outcome = morning.outcome
    if outcome is None or outcome.condition is not None:
        return None if outcome is None else outcome.condition
    return None if outcome.recovery is None else outcome.recovery.after


def _condition(outcome: Outcome | None) -> Condition | None:
    return None if outcome is None else outcome.condition


def _power(condition: Condition | None, run: RunRecord | None) -> Number:
    if condition is not None:
        return condition.power_w, condition.power_u_w
    if run is None or run.outcome is None:
        return None
    return last_reading(run, run.outcome)


def _first_power(morning: Morning) -> Number:
    """The first reading of the same run, if it was made where the reference pattern stands."""
    run = _run_before(morning)
    readings = [] if run is None else [record.reading for record in run.readings]
    reference = morning.reference.outcome if morning.reference is not None else None
    if not readings or reference is None or reference.setting is None:
        return None
    away = abs(readings[0].setting.spacing_m - reference.setting.spacing_m)
    return (readings[0].power_w, readings[0].uncertainty_w) if away < _SAME_PLACE_M else None


def _ratio(ratio: Ratio | None) -> Number:
    return None if ratio is None else (ratio.value, ratio.u)


def _laser(condition: Condition | None) -> Number:
    if condition is None or condition.reference_w is None:
        return None
    return condition.reference_w, condition.reference_u_w or 0.0


def _temperature(condition: Condition | None) -> Number:
    if condition is None or condition.temperature_c is None:
        return None
    return condition.temperature_c, 0.0


def _path(outcome: Outcome | None) -> Number:
    path = None if outcome is None else outcome.path_length
    return None if path is None else (path.value_m, path.expanded_u_m / path.coverage_factor)


def _throughput(outcome: Outcome | None) -> Number:
    if outcome is None or outcome.throughput is None:
        return None
    return outcome.throughput, outcome.throughput_u or 0.0


def _reflectivity(outcome: Outcome | None) -> Number:
    found: Sequence[tuple[float, float]] = (
        []
        if outcome is None
        else [(f.value, f.u) for f in outcome.findings if f.name == "reflectivity" and f.observable]
    )
    return found[0] if found else None


def _margin(outcome: Outcome | None) -> Number:
    if outcome is None:
        return None
    left = None if outcome.recovery is None else outcome.recovery.margin_nights_left
    return least_margin_nights(outcome) or (None if left is None else (left, 0.0))

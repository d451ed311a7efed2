"""Back to a place whose light is known, where axes count steps and do not see where they are.

Their count brings them near. The power that was read at the place says whether they are there;
where it is another, the neighbourhood is searched, no further than the steps may have missed by.
"""

from __future__ import annotations

from dataclasses import dataclass

from autocell.bench.bench import Bench
from autocell.procedures.light_search import Light, LightSearch
from autocell.procedures.tuning import READING_NOISE
from autocell.reading import Reading
from autocell.setting import Setting


@dataclass(frozen=True)
class Back:
    """How a way back ended: the last reading, and in words where that leaves the bench.

    ``as_before`` is None where no axis counts steps: then it stands where it reads.
    """

    reading: Reading
    words: str
    as_before: bool | None = None


def back_home(bench: Bench, before: Light | None) -> Back:
    """Back to where the bench stood, by position and, where open-loop axes have moved, by the
    power ``before``, on the reserve. Raises as :meth:`~autocell.bench.bench.Bench.move_to` and
    :meth:`~autocell.bench.bench.Bench.read_power` do."""
    bench.return_home()
    with bench.reserve():
        return by_signal(bench, bench.home_setting, before, "the start")


def by_signal(bench: Bench, place: Setting, before: Light | None, name: str) -> Back:
    """Read at ``place``, where every axis has just been sent, and look for it around there where
    open-loop axes have moved and the power is not that of ``before``. ``name`` is what to call it.

    Raises as reading and moving do, but for caps and limits that end the search.
    """
    reading = bench.read_power(f"{name}, again", READING_NOISE)
    told = f"back at {name}, reading {_mw(reading.power_w)}"
    if before is None:
        return Back(reading, told)
    told += f" ({_mw(before.power_w)} before)"
    names = bench.open_loop.moved
    if not names:
        return Back(reading, told)
    search = LightSearch(bench, place, before, names, reading)
    if search.found(reading):
        return Back(reading, told, True)
    found = search.carry_out(name)
    tried = f"{search.readings} readings around where the count had it"
    if found is not None:
        return Back(
            found,
            f"back at {name} by its light, {_mw(found.power_w)} ({_mw(before.power_w)} before), "
            f"after {tried}",
            True,
        )
    return Back(
        search.last,
        f"back at {name} by the count of its steps alone: the light there was "
        f"{_mw(before.power_w)}, and {tried} came no nearer than {_mw(search.last.power_w)}; "
        f"{', '.join(names)} may stand beside it",
        False,
    )


def _mw(power_w: float) -> str:
    return f"{1e3 * power_w:.4g} mW"

"""Every fault by the name that a scenario calls it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from autocell_simulators.faults import environment, host, light, mechanics, meter, wire
from autocell_simulators.faults.fault import Fault


def _named(above: type[Fault]) -> Iterator[type[Fault]]:
    for fault in above.__subclasses__():
        if "name" in vars(fault):
            yield fault
        yield from _named(fault)


GROUPS = (mechanics, light, meter, wire, environment, host)
FAULTS: Mapping[str, type[Fault]] = {
    fault.name: fault
    for group in GROUPS
    for fault in _named(Fault)
    if fault.__module__ == group.__name__
}

"""Whatever a laboratory already drives from Python, by two or three of its functions.

A few lines of Python beside the bench file, or in a package, say which functions read, move and
stop; the bench file names them as the address of the device. See docs/drivers.md.
"""

from __future__ import annotations

import functools
import importlib
import importlib.util
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, TypeVar

from autocell.bench.protocols import Clock, Connect
from autocell.errors import BenchFileError, WrongIdentity
from autocell_drivers import sections, units
from autocell_drivers.foreign_calls import Caller
from autocell_drivers.python_functions import (
    AxisFunctions,
    Instrument,
    Key,
    MeterFunctions,
    ShutterFunctions,
)
from autocell_drivers.python_parts import (
    CALL_S,
    LimitedPythonAxis,
    PythonAxis,
    PythonMeter,
    PythonShutter,
)

__all__ = [
    "AxisFunctions",
    "Instrument",
    "MeterFunctions",
    "ShutterFunctions",
    "open_device",
]

_KEYS = ("driver", "address", "identity", "path", "call_s")
T = TypeVar("T")


class PythonObjects:
    """The driver: opens what the function at ``address`` returns.

    Keys: ``call_s`` (2), within which every call must return that is no blocking move.
    """

    def check(self, section: Mapping[str, Any]) -> None:
        """Raises BenchFileError for a section that cannot be used. The module is imported for
        this, the function not called."""
        where = f"devices ({section.get('driver')} at {section.get('address')})"
        sections.refuse_unknown(section, _KEYS, where)
        sections.text(section, "identity", where)
        sections.positive(section, "call_s", where, default=CALL_S)
        _function(section, where)

    def __call__(
        self, section: Mapping[str, Any], clock: Clock, _connect: Connect
    ) -> PythonInstrument:
        """Call the function. Raises BenchFileError, WrongIdentity, or what the function raised as
        an error of ours."""
        self.check(section)
        where = f"devices ({section.get('driver')} at {section.get('address')})"
        address, expected = section["address"], section["identity"]
        call = Caller(address, sections.positive(section, "call_s", where, default=CALL_S))
        try:
            # connecting may take longer than anything later, and has its own deadline inside
            opening = call.beside(f"{address}()", _function(section, where))
            opening.ended(within_s=60.0)
            found = call(f"{address}()", opening.result)
            if not isinstance(found, Instrument):
                raise BenchFileError(
                    f"{where}: the function returned {type(found).__name__}; it must return an "
                    "autocell_drivers.python_object.Instrument"
                )
            if expected not in found.identity:
                call(f"{address}: close", found.close)
                raise WrongIdentity(
                    f"{address} should be {expected!r} (identity in the bench file), but is "
                    f"{found.identity!r}"
                )
        except BaseException:
            call.end()
            raise
        return PythonInstrument(found, call, clock)


open_device = PythonObjects()


class PythonInstrument:
    """An opened instrument."""

    def __init__(self, instrument: Instrument, call: Caller, clock: Clock) -> None:
        self._instrument = instrument
        self._clock = clock
        self._call = call
        self._is_open = True

    @property
    def identity(self) -> str:
        """What the instrument calls itself."""
        return self._instrument.identity

    @property
    def notes(self) -> Sequence[str]:
        """Nothing is set while opening."""
        return ()

    def axis(self, name: str, section: Mapping[str, Any]) -> PythonAxis:
        """The axis under the section's ``channel``. Raises BenchFileError."""
        where = f"axes.{name}"
        functions = _entry(self._instrument.axes, section, where, "axis")
        kind = PythonAxis if functions.limits is None else LimitedPythonAxis
        si_per_unit = _si_per(functions.unit, section, where)
        return kind(name, functions, si_per_unit, section, self._call, self._clock)

    def power_meter(self, name: str, section: Mapping[str, Any]) -> PythonMeter:
        """The meter under the section's ``channel`` (1). Raises BenchFileError."""
        functions = _entry(self._instrument.meters, {"channel": 1, **section}, name, "meter")
        factor = units.si_per(functions.unit, "power")
        if factor is None:
            raise BenchFileError(
                f"{name}: {functions.unit!r} is no unit of power; there are {units.names('power')}"
            )
        range_w = sections.positive(section, "range_mw", name) * 1e-3
        averaging_s = sections.positive(section, "averaging_ms", name) * 1e-3
        return PythonMeter(name, functions, factor, range_w, averaging_s, self._call)

    def shutter(self, section: Mapping[str, Any]) -> PythonShutter:
        """The shutter under the section's ``channel``. Raises BenchFileError."""
        functions = _entry(self._instrument.shutters, section, "shutter", "shutter")
        return PythonShutter(functions, self._call)

    def close(self) -> None:
        """Let go of the instrument. Harmless twice."""
        if self._is_open:
            self._is_open = False
            try:
                self._call("close", self._instrument.close)
            finally:
                self._call.end()


def _entry(entries: Mapping[Key, T], section: Mapping[str, Any], where: str, what: str) -> T:
    channel = section.get("channel")
    if not isinstance(channel, int | str) or channel not in entries:
        there = ", ".join(map(str, entries)) or "none"
        raise BenchFileError(
            f"{where}.channel is {channel!r}; the instrument has these {what} channels: {there}"
        )
    return entries[channel]


def _si_per(unit: str, section: Mapping[str, Any], where: str) -> float:
    for key in ("units_per_mm", "units_per_mrad"):
        if key in section:
            raise BenchFileError(
                f"{where}.{key}: the functions say that they count in {unit}; leave this out"
            )
    kind: units.Kind = "linear" if "limits_mm" in section else "angular"
    factor = units.si_per(unit, kind)
    if factor is None:
        raise BenchFileError(
            f"{where}: its functions count in {unit!r}, but the axis is {kind}; units for that are "
            f"{units.names(kind)}"
        )
    return factor * float(section.get("direction", 1))


def _function(section: Mapping[str, Any], where: str) -> Callable[[], Any]:
    address = sections.text(section, "address", where)
    module, _, name = address.rpartition(":")
    if not module or not name.isidentifier():
        raise BenchFileError(
            f"{where}: write the address as file.py:function or package.module:function"
        )
    try:
        loaded = _load(module, str(section.get("path", ".")))
        function = getattr(loaded, name)
    # a stranger's module may raise anything at all when it is imported
    except Exception as error:
        raise BenchFileError(
            f"{where}: {name} cannot be imported from {module} ({type(error).__name__}: {error})"
        ) from error
    if not callable(function):
        raise BenchFileError(f"{where}: {name} in {module} is no function")
    return function  # type: ignore[no-any-return]


@functools.cache
def _load(module: str, folder: str) -> Any:
    if not module.endswith(".py"):
        return importlib.import_module(module)
    path = Path(folder) / module
    spec = importlib.util.spec_from_file_location(path.stem, path)
    if spec is None or spec.loader is None:
        raise ImportError(f"{path} is no Python file")
    loaded = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(loaded)
    return loaded

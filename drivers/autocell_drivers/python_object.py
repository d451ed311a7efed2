"""Whatever a laboratory already drives from Python, by two or three of its functions.

A few lines of Python beside the bench file, or in a package, say which functions read, move and
stop; the bench file names them as the address of the device. See docs/drivers.md.
"""

from __future__ import annotations

import functools
import importlib
import importlib.util
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

from autocell.bench.protocols import Clock, Connect, RawReading
from autocell.errors import BadReply, BenchFileError, LimitError, Refused, WrongIdentity
from autocell_drivers import sections, units
from autocell_drivers.foreign_calls import Call, Caller

_KEYS = ("driver", "address", "identity", "path", "call_s")
_CALL_S = 2.0
_ACCEPTED_S = 0.1
"""How long a move that blocks is watched for an early refusal."""
_STOPPED_S = 0.08
"""How long the stop of one axis has to itself, before that of another is called beside it: few
libraries like to be called twice at a time. Five axes take less than half a second. [trade]"""
_REST_S = 0.05
"""Between two looks at an axis that does not say whether it moves."""

Key = int | str
T = TypeVar("T")


@dataclass(frozen=True)
class AxisFunctions:
    """An axis: what reads it, moves it and stops it, in ``unit`` (mm, um, mrad, deg, …).

    With ``moving``, ``move`` only starts a move and returns. Without, it may return at once or
    only when the axis is there; ``position`` and ``stop`` must then work from other threads
    meanwhile. ``limits`` gives the low and high end of the travel, where something knows them.
    """

    position: Callable[[], float]
    move: Callable[[float], object]
    stop: Callable[[], object]
    moving: Callable[[], bool] | None = None
    limits: Callable[[], tuple[float, float]] | None = None
    unit: str = "mm"


@dataclass(frozen=True)
class MeterFunctions:
    """A power meter: what takes a fresh reading, never one from before the call, in ``unit``.

    A reading that is not finite, such as NaN or infinity, counts as overrange.
    """

    read: Callable[[], float]
    unit: str = "W"


@dataclass(frozen=True)
class ShutterFunctions:
    """A shutter: what blocks the beam and lets it pass; each returns when that is so."""

    close: Callable[[], object]
    open: Callable[[], object]


@dataclass(frozen=True)
class Instrument:
    """What the function returns that a device section names: who is there, and what it carries.

    The keys are the ``channel`` of the bench file's axes, meter and shutter.
    """

    identity: str
    axes: Mapping[Key, AxisFunctions] = field(default_factory=dict)
    meters: Mapping[Key, MeterFunctions] = field(default_factory=dict)
    shutters: Mapping[Key, ShutterFunctions] = field(default_factory=dict)
    close: Callable[[], object] = lambda: None


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
        sections.positive(section, "call_s", where, default=_CALL_S)
        _function(section, where)

    def __call__(
        self, section: Mapping[str, Any], clock: Clock, _connect: Connect
    ) -> PythonInstrument:
        """Call the function. Raises BenchFileError, WrongIdentity, or what the function raised as
        an error of ours."""
        self.check(section)
        where = f"devices ({section.get('driver')} at {section.get('address')})"
        address, expected = section["address"], section["identity"]
        call = Caller(address, sections.positive(section, "call_s", where, default=_CALL_S))
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
        kind = PythonAxis if functions.limits is None else _TellsLimits
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


class PythonAxis:
    """One axis, moved by somebody else's functions."""

    def __init__(
        self,
        name: str,
        functions: AxisFunctions,
        si_per_unit: float,
        section: Mapping[str, Any],
        call: Caller,
        clock: Clock,
    ) -> None:
        self._name = name
        self._functions = functions
        self._clock = clock
        self._si = si_per_unit
        self._call = call
        repeatability = section.get("repeatability_mm", section.get("repeatability_mrad", 0.0))
        self._still = 3.0 * float(repeatability) / 1e3
        self._move: Call[object] | None = None
        self._stop: Call[object] | None = None
        self._was_stopped = False

    @property
    def name(self) -> str:
        """As the bench file calls it."""
        return self._name

    def position(self) -> float:
        """Where the axis is, m or rad. Raises BadReply for what is no number."""
        what = f"{self._name}: position"
        return _number(what, self._call(what, self._functions.position)) * self._si

    def start_move(self, target: float) -> None:
        """Start an absolute move (m or rad). Raises LimitError for a target that is no number."""
        if not math.isfinite(target):
            raise LimitError(f"axis {self._name}: target {target} is no position; nothing was sent")
        what = f"{self._name}: move"
        value = target / self._si
        self._was_stopped, self._stop = False, None
        if self._functions.moving is not None:
            self._call(what, self._functions.move, value)
            return
        if self._move is not None and not self._move.ended():
            raise Refused(f"{what}: the last move has not returned yet")
        self._move = self._call.beside(what, self._functions.move, value)
        if self._move.ended(_ACCEPTED_S):
            self._move.result()

    def moving(self) -> bool:
        """Whether the axis moves: as ``moving`` says, or else while ``move`` has not returned or
        two looks find it at different places. Raises Refused for what the move raised."""
        if self._functions.moving is not None:
            return bool(self._call(f"{self._name}: moving", self._functions.moving))
        if self._move is not None:
            if not self._move.ended():
                return True
            ended, self._move = self._move, None
            if not self._was_stopped:  # what a move says that was broken off is no news
                ended.result()
        before = self.position()
        self._clock.sleep(_REST_S)
        return abs(self.position() - before) > self._still

    def send_stop(self) -> None:
        """Call ``stop``, whatever else is being called, and do not wait for its end if that takes
        longer than most: :meth:`stop` does."""
        self._was_stopped = True
        self._stop = self._call.beside(f"{self._name}: stop", self._functions.stop)
        self._stop.ended(_STOPPED_S)

    def stop(self) -> None:
        """Stop at once, whatever else is being called."""
        if self._stop is None:
            self.send_stop()
        assert self._stop is not None
        sent, self._stop = self._stop, None
        self._call.wait_for(sent)


class _TellsLimits(PythonAxis):
    def limits(self) -> tuple[float, float]:
        """The ends of the travel, low then high, m or rad."""
        assert self._functions.limits is not None
        what = f"{self._name}: limits"
        told = self._call(what, self._functions.limits)
        try:
            low, high = (_number(what, end) * self._si for end in told)
        except (TypeError, ValueError) as error:
            raise BadReply(f"{what}: {told!r} is no pair of numbers") from error
        return min(low, high), max(low, high)


class PythonMeter:
    """One power meter, read by somebody else's function."""

    def __init__(
        self,
        name: str,
        functions: MeterFunctions,
        watts_per_unit: float,
        range_w: float,
        averaging_s: float,
        call: Caller,
    ) -> None:
        self._name = name
        self._functions = functions
        self._watts = watts_per_unit
        self._range_w = range_w
        self._averaging_s = averaging_s
        self._call = call

    @property
    def name(self) -> str:
        """As the bench file calls it."""
        return self._name

    @property
    def reading_time_s(self) -> float:
        """How long one reading takes, as the bench file says."""
        return self._averaging_s

    def read(self) -> RawReading:
        """Take one fresh reading (W)."""
        what = f"{self._name}: read"
        told = self._call(what, self._functions.read, within_s=_CALL_S + 2.0 * self._averaging_s)
        try:
            power_w = float(told) * self._watts
        except (TypeError, ValueError) as error:
            raise BadReply(f"{what}: {told!r} is no number") from error
        if not math.isfinite(power_w) or abs(power_w) >= self._range_w:
            return RawReading(math.nan, overrange=True)
        return RawReading(power_w)


class PythonShutter:
    """A shutter worked by somebody else's functions. It protects nobody."""

    def __init__(self, functions: ShutterFunctions, call: Caller) -> None:
        self._functions = functions
        self._call = call

    def close(self) -> None:
        """Block the beam."""
        self._call("shutter: close", self._functions.close)

    def open(self) -> None:
        """Let the beam pass."""
        self._call("shutter: open", self._functions.open)


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


def _number(what: str, value: object) -> float:
    try:
        number = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError) as error:
        raise BadReply(f"{what}: {value!r} is no number") from error
    if not math.isfinite(number):
        raise BadReply(f"{what}: {number} is no finite number")
    return number


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

"""Devices that follow the bluesky protocols, as instruments of the driver ``python-object``.

What is asked of them is what ``bluesky.protocols`` says: ``set`` starts and returns a status that
is ``done`` some day and then a ``success`` or not; ``read`` gives a mapping of names to mappings
with a ``value``; ``stop``, ``trigger`` and ``locate`` where there are any. Nothing of bluesky is
imported.
"""

from __future__ import annotations

import inspect
from collections.abc import Callable, Mapping
from typing import Any

from autocell.errors import BadReply, BenchFileError, NoReply, Refused
from autocell_drivers.python_functions import AxisFunctions, MeterFunctions

_TRIGGER_S = 30.0


def axis(device: Any, *, unit: str | None = None, key: str | None = None) -> AxisFunctions:
    """The functions of a device that has ``set``, ``read`` and ``stop``.

    ``unit`` is that of its positions (mm, mrad, deg, …), by default its ``egu``. ``key`` names the
    position among what ``read`` gives; by default the device's own name, or the only one there is.
    Raises BenchFileError for a device that lacks what is needed.
    """
    _needs(device, "set", "read", "stop")
    egu = unit if unit is not None else getattr(device, "egu", None)
    if not isinstance(egu, str) or not egu:
        raise BenchFileError(f"{_name(device)} tells no unit; say unit=… when you make its axis")
    flights: list[Any] = []

    def move(value: float) -> None:
        flights[:] = [device.set(value)]
        _raise_failure(device, flights[0])

    def moving() -> bool:
        if not flights:
            return bool(getattr(device, "moving", False))
        if not flights[0].done:
            return True
        _raise_failure(device, flights.pop())
        return False

    def stop() -> None:
        flights.clear()
        device.stop()

    return AxisFunctions(
        position=lambda: _position(device, key),
        move=move,
        stop=stop,
        moving=moving,
        limits=_limits(device),
        unit=egu,
    )


def meter(device: Any, *, unit: str, key: str | None = None) -> MeterFunctions:
    """The functions of a device that has ``read``, and ``trigger`` where a reading must be taken.

    ``unit`` is that of its power (W, mW, …); ``key`` as for :func:`axis`. A device without
    ``trigger`` must measure anew with each ``read``. Raises BenchFileError.
    """
    _needs(device, "read")

    def read() -> float:
        if callable(getattr(device, "trigger", None)):
            status = device.trigger()
            try:
                status.wait(timeout=_TRIGGER_S)
            except TimeoutError as error:
                raise NoReply(f"{_name(device)} has not measured in {_TRIGGER_S:g} s") from error
            _raise_failure(device, status)
        return _value(device, device.read(), key)

    return MeterFunctions(read=read, unit=unit)


def _position(device: Any, key: str | None) -> float:
    if key is None and callable(getattr(device, "locate", None)):
        location = device.locate()
        if isinstance(location, Mapping) and "readback" in location:
            return float(location["readback"])
    return _value(device, device.read(), key)


def _value(device: Any, reading: Any, key: str | None) -> float:
    if not isinstance(reading, Mapping) or not reading:
        raise BadReply(f"{_name(device)}.read() gave {reading!r}, no mapping of readings")
    if key is None:
        key = _name(device) if _name(device) in reading else next(iter(reading))
        if key != _name(device) and len(reading) > 1:
            raise BadReply(
                f"{_name(device)}.read() gave {', '.join(reading)}; say which with key=…"
            )
    if key not in reading:
        raise BadReply(f"{_name(device)}.read() gave {', '.join(reading)}, and no {key}")
    return float(reading[key]["value"])


def _limits(device: Any) -> Callable[[], tuple[float, float]] | None:
    """The travel, if the device has any: equal limits are the protocols' word for none."""
    told = getattr(device, "limits", None)
    if not isinstance(told, tuple | list) or len(told) != 2 or told[0] == told[1]:
        return None
    return lambda: (float(device.limits[0]), float(device.limits[1]))


def _raise_failure(device: Any, status: Any) -> None:
    if not status.done or status.success:
        return
    exception = getattr(status, "exception", None)
    cause = exception(timeout=0.0) if callable(exception) else None
    raise Refused(f"{_name(device)} did not do as it was told: {cause or status}") from cause


def _needs(device: Any, *methods: str) -> None:
    for name in methods:
        method = getattr(device, name, None)
        if not callable(method):
            raise BenchFileError(f"{_name(device)} has no {name}(); nothing can be made of it")
        if inspect.iscoroutinefunction(method):
            raise BenchFileError(
                f"{_name(device)}.{name}() is asynchronous; wrap it in functions that wait, and "
                "give these to python_object"
            )


def _name(device: Any) -> str:
    return str(getattr(device, "name", "") or type(device).__name__)

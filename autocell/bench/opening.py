"""Opens the instruments of a bench file and hands them over behind the guard."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager, suppress
from importlib.metadata import EntryPoint, entry_points
from typing import Any, TypeVar, cast

from autocell.bench.bench import Bench
from autocell.bench.file import line_of, where
from autocell.bench.halting import Turns, stop_together, turns_of
from autocell.bench.plan import trade
from autocell.bench.protocols import (
    Axis,
    ChecksSection,
    Clock,
    Connect,
    CountsTroubles,
    DelayMeter,
    Device,
    Journal,
    Line,
    OffersDelay,
    OffersTemperature,
    OpenDevice,
    PowerMeter,
    ReportsLimits,
    Thermometer,
    Transport,
    Troubles,
    ZeroesItself,
)
from autocell.bench.step_counting import counting_steps
from autocell.description import (
    AxisDescription,
    BenchDescription,
    DeviceDescription,
    MeterDescription,
)
from autocell.errors import BenchFileError, WrongIdentity
from autocell.reading import Reading

DRIVERS = "autocell.drivers"
TRANSPORTS = "autocell.transports"

T = TypeVar("T")


class NoJournal:
    """A journal for looking at a bench: nothing is written, since nothing is moved."""

    def move_intended(
        self, time_s: float, axis: str, start: float, target: float, purpose: str
    ) -> int:
        """Forget it."""
        return 0

    def move_ended(self, move: int, time_s: float, position: float, outcome: str) -> None:
        """Forget it."""

    def reading(self, reading: Reading, purpose: str) -> None:
        """Forget it."""

    def event(self, time_s: float, kind: str, text: str) -> None:
        """Forget it."""


@contextmanager
def open_bench(
    description: BenchDescription,
    *,
    clock: Clock,
    connect: Connect | None = None,
    journal: Journal | None = None,
) -> Iterator[Bench]:
    """The bench of a bench file, its instruments opened, identified and compared with the file.

    ``connect`` opens the lines; by default whatever is installed as ``default`` in the entry
    point group ``autocell.transports``. When an error or a stop passes through, also while the
    bench is being opened, every axis is stopped; in any case all that was opened is closed.

    Raises BenchFileError for what a driver or a controller cannot do; Busy, Disconnected, NoReply
    or WrongIdentity from the instruments.
    """
    drivers = {name: _driver(description, d) for name, d in description.devices.items()}
    lines = connect or _default_connect()
    for name, device in description.devices.items():
        _check_section(description, device, drivers[name], clock)
    with ExitStack() as opened:
        devices: dict[str, Device] = {}
        axes: dict[str, Axis] = {}
        bench: Bench | None = None
        try:
            for name in _movers_first(description):
                device = description.devices[name]
                devices[name] = _opened(description, device, drivers[name], clock, lines)
                opened.callback(devices[name].close)
                _check_identity(device, devices[name])
                axes |= _axes_of(description, name, devices[name])
            bench = _assemble(description, devices, axes, clock, journal or NoJournal())
            yield bench
        except BaseException:
            _stop_for_certain(description, bench, axes)
            raise


class _NothingIsOpened(Exception):
    """A driver has accepted its section and asks for its line."""


def _check_section(
    description: BenchDescription, device: DeviceDescription, driver: OpenDevice, clock: Clock
) -> None:
    """Let a driver read its section and open nothing, so that no port is opened before all of the
    bench file is found good. Raises BenchFileError."""

    if isinstance(driver, ChecksSection):
        keys = ("devices", device.name)
        _asked(description, keys, driver.check, _section(description, device))
        return

    def no_line(_address: str, _line: Line) -> Transport:
        raise _NothingIsOpened

    with suppress(_NothingIsOpened):
        _opened(description, device, driver, clock, no_line).close()


def _opened(
    description: BenchDescription,
    device: DeviceDescription,
    driver: OpenDevice,
    clock: Clock,
    connect: Connect,
) -> Device:
    section = _section(description, device)
    opened: Device = _asked(description, ("devices", device.name), driver, section, clock, connect)
    return opened


def _section(description: BenchDescription, device: DeviceDescription) -> Mapping[str, Any]:
    return {**device.section, "path": str(description.path.parent)}


def _movers_first(description: BenchDescription) -> list[str]:
    """The devices, those with axes first: what a crash left moving can be stopped only by its own
    controller, and must not run on because another instrument is silent."""
    movers = {axis.device for axis in description.axes.values()}
    return sorted(description.devices, key=lambda name: name not in movers)


def _axes_of(description: BenchDescription, name: str, device: Device) -> dict[str, Axis]:
    """The axes that one device carries."""
    return {
        axis.name: _asked(description, ("axes", axis.name), device.axis, axis.name, axis.section)
        for axis in description.axes.values()
        if axis.device == name
    }


def _stop_for_certain(
    description: BenchDescription, bench: Bench | None, axes: Mapping[str, Axis]
) -> None:
    """Stop every axis, also when the operator's interrupt comes in the middle of it.

    An interrupt is raised once (see :mod:`autocell.bench.stopping`), so that the second try is
    left in peace.
    """
    turns = turns_of(description)
    try:
        _stop(description, bench, axes, turns)
    except BaseException:
        _stop(description, bench, axes, turns)
        raise


def _stop(
    description: BenchDescription, bench: Bench | None, axes: Mapping[str, Axis], turns: Turns
) -> None:
    if bench is not None:
        bench.stop()
    else:
        # who does not confirm it is not told: the error that broke the opening off is
        stop_together(description, axes, turns)


def installed(group: str) -> dict[str, EntryPoint]:
    """What is installed under an entry point group, by name."""
    return {point.name: point for point in entry_points(group=group)}


def _driver(description: BenchDescription, device: DeviceDescription) -> OpenDevice:
    points = installed(DRIVERS)
    if device.driver not in points:
        place = where(description.path, ("devices", device.name, "driver"))
        raise BenchFileError(
            f"{place}: no driver {device.driver!r} is installed; there are: "
            f"{', '.join(sorted(points)) or 'none'}"
        )
    try:
        return cast(OpenDevice, points[device.driver].load())
    except (ImportError, AttributeError) as error:
        place = where(description.path, ("devices", device.name, "driver"))
        raise BenchFileError(
            f"{place}: the driver {device.driver!r} is installed but cannot be imported ({error}); "
            "'autocell drivers' tells its package: install it anew"
        ) from error


def _default_connect() -> Connect:
    points = installed(TRANSPORTS)
    if "default" not in points:
        raise BenchFileError(
            f"nothing is installed that opens lines (entry point 'default' in {TRANSPORTS}); "
            "install autocell anew"
        )
    return cast(Connect, points["default"].load())


def _asked(description: BenchDescription, keys: tuple[str, ...], ask: Any, *arguments: Any) -> Any:
    """What ``ask`` returns; a driver's complaint, which names the key, gets its file and line."""
    try:
        return ask(*arguments)
    except BenchFileError as error:
        line = line_of(description.path, keys)
        raise BenchFileError(f"{description.path}:{line}: {error}") from error


def _check_identity(expected: DeviceDescription, device: Device) -> None:
    if expected.identity not in device.identity:
        raise WrongIdentity(
            f"devices.{expected.name}: at {expected.address} answers {device.identity!r}, the "
            f"bench file expects {expected.identity!r}; is this the right address?"
        )


def _assemble(
    description: BenchDescription,
    devices: Mapping[str, Device],
    opened_axes: Mapping[str, Axis],
    clock: Clock,
    journal: Journal,
) -> Bench:
    axes = {name: opened_axes[name] for name in description.axes}  # in the order of the file
    notes: list[str] = []
    for name, axis in description.axes.items():
        notes += _compare_limits(description, axis, axes[name])
        axes[name] = counting_steps(axes[name], axis.open_loop)
    meter = _light_meter(description, devices, "power_meter", description.meter)
    if description.meter.largest_zero_w is not None and not isinstance(meter, ZeroesItself):
        place = where(description.path, ("power_meter", "zeroing"))
        raise BenchFileError(
            f"{place}: the driver {description.devices[description.meter.device].driver} zeroes no "
            "meter; take the key out, or zero it by hand"
        )
    shutter = None
    if description.shutter is not None:
        shutter_device = devices[description.shutter.device]
        shutter = _asked(
            description, ("shutter",), shutter_device.shutter, description.shutter.section
        )
    delay_meter = _delay_meter(description, devices)
    reference_meter = None
    if description.reference_meter is not None:
        described = description.reference_meter
        reference_meter = _light_meter(description, devices, "reference_meter", described)
    thermometer = _thermometer(description, devices)
    told = [f"{name}: {note}" for name, device in devices.items() for note in device.notes]
    identities = {name: device.identity for name, device in devices.items()}
    return Bench(
        description,
        axes,
        meter,
        shutter,
        clock,
        journal,
        identities,
        told + notes,
        delay_meter,
        reference_meter,
        thermometer,
        lambda: sum(
            (d.troubles for d in devices.values() if isinstance(d, CountsTroubles)), Troubles()
        ),
    )


def _light_meter(
    description: BenchDescription,
    devices: Mapping[str, Device],
    key: str,
    described: MeterDescription,
) -> PowerMeter:
    """The meter of a section ``key``, which is told the wavelength. Raises BenchFileError."""
    section = {**described.section, "wavelength_nm": description.laser.wavelength_m * 1e9}
    device = devices[described.device]
    meter: PowerMeter = _asked(description, (key,), device.power_meter, key, section)
    return meter


def _thermometer(
    description: BenchDescription, devices: Mapping[str, Device]
) -> Thermometer | None:
    """The thermometer where the bench file has one. Raises BenchFileError for another device."""
    described = description.thermometer
    if described is None:
        return None
    device = devices[described.device]
    if not isinstance(device, OffersTemperature):
        place = where(description.path, ("thermometer", "device"))
        raise BenchFileError(
            f"{place}: {described.device!r} ({device.identity}) measures no temperature; name a "
            "device whose driver does, such as scpi-thermometer"
        )
    opened: Thermometer = _asked(
        description, ("thermometer",), device.thermometer, "thermometer", described.section
    )
    return opened


def _delay_meter(description: BenchDescription, devices: Mapping[str, Device]) -> DelayMeter | None:
    """The delay meter where the bench file has one. Raises BenchFileError for another device."""
    described = description.delay_meter
    if described is None:
        return None
    device = devices[described.device]
    if not isinstance(device, OffersDelay):
        place = where(description.path, ("delay_meter", "device"))
        raise BenchFileError(
            f"{place}: {described.device!r} ({device.identity}) measures no delay; name a device "
            "whose driver does, such as scpi-delay-meter"
        )
    opened: DelayMeter = _asked(
        description, ("delay_meter",), device.delay_meter, "delay_meter", described.section
    )
    return opened


def _compare_limits(
    description: BenchDescription, axis: AxisDescription, opened: Axis
) -> Iterator[str]:
    """Notes on what the controller says of its travel. Raises BenchFileError when the bench file
    promises travel that the controller does not have."""
    if not isinstance(opened, ReportsLimits):
        yield f"{axis.name}: its controller does not tell its travel; only the bench file limits it"
        return
    low, high = opened.limits()
    if _wider(axis, low, high):
        low, high = opened.limits()  # not every line notices a flipped bit
    travel = f"{trade(axis, low)} to {trade(axis, high)}"
    if _wider(axis, low, high):
        place = where(description.path, ("axes", axis.name, f"limits_{axis.unit}"))
        raise BenchFileError(
            f"{place}: the limits are wider than the travel of the controller, {travel}; keep "
            "them within it"
        )
    if axis.low > low + axis.repeatability or axis.high < high - axis.repeatability:
        yield f"{axis.name}: the controller would travel {travel}; the bench file limits it further"


def _wider(axis: AxisDescription, low: float, high: float) -> bool:
    """Whether the bench file promises travel beyond these ends."""
    return axis.low < low - axis.repeatability or axis.high > high + axis.repeatability

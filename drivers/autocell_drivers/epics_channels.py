"""Process variables over Channel Access: each read has a deadline, and a server that went and came
back is asked who it is before it is believed."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import Any

from autocell.bench.protocols import Clock
from autocell.errors import AutocellError, BadReply, BenchFileError, Disconnected, NoReply

INVALID = 3
"""Alarm severities of EPICS: none, minor, major, invalid."""
_HIHI, _HIGH = 3, 4
_READ_S = 1.0
_SEND_S = 0.02
_POLL_S = 0.02
_SEARCH_S = 0.5
_STATUS = {
    1: "READ", 2: "WRITE", 3: "HIHI", 4: "HIGH", 5: "LOLO", 6: "LOW", 7: "STATE", 8: "COS",
    9: "COMM", 10: "TIMEOUT", 11: "HWLIMIT", 12: "CALC", 13: "SCAN", 14: "LINK", 15: "SOFT",
    16: "BAD_SUB", 17: "UDF", 18: "DISABLE", 19: "SIMM", 20: "READ_ACCESS", 21: "WRITE_ACCESS",
}  # fmt: skip


@dataclass(frozen=True)
class Sample:
    """A value as the server has it, with its alarm and the server's own time stamp."""

    value: float | str
    severity: int
    status: int
    time_s: float

    @property
    def is_beyond_its_alarm_limit(self) -> bool:
        """Whether the record says that the value is too high to be good."""
        return self.status in (_HIHI, _HIGH) and self.severity >= 2

    @property
    def alarm(self) -> str:
        """The alarm in EPICS' word for it."""
        return _STATUS.get(self.status, f"status {self.status}")


class Channels:
    """Some process variables of one control system, by their names after ``prefix``.

    The addresses that are searched are those of the standard environment variables
    ``EPICS_CA_ADDR_LIST`` and its kin. Raises BenchFileError when caproto is not installed.
    """

    def __init__(self, prefix: str, clock: Clock, patience_s: float) -> None:
        context = _context_class()
        self._prefix = prefix
        self._clock = clock
        self._patience_s = patience_s
        self._context: Any = context(timeout=_READ_S)
        self._channels: dict[str, Any] = {}
        self._lost = threading.Event()
        self._is_open = True
        self._returning = False
        self._checks: list[Callable[[], None]] = []
        self._told: list[str] = []

    @property
    def notes(self) -> tuple[str, ...]:
        """When the server was gone, and for how long."""
        return tuple(self._told)

    def on_return(self, check: Callable[[], None]) -> None:
        """Call ``check`` whenever the server was gone and is back, before anything else."""
        self._checks.append(check)

    def connect(self, names: Sequence[str], within_s: float = 3.0) -> None:
        """Find process variables. Raises Disconnected naming those that nobody serves."""
        new = [name for name in names if name not in self._channels]
        full = [self._prefix + name for name in new]
        found = self._context.get_pvs(*full, connection_state_callback=self._state_changed)
        self._channels.update(zip(new, found, strict=True))
        missing = self._wait(names, within_s)
        if missing:
            raise Disconnected(
                f"nobody on the network serves {', '.join(self._prefix + n for n in missing)}; "
                "check the names, and EPICS_CA_ADDR_LIST"
            )

    def get(self, name: str, *, urgent: bool = False) -> Sample:
        """The present value. Raises NoReply, Disconnected when the server is gone for good,
        WrongIdentity when another one is there instead, and BadReply for what is neither number
        nor text. ``urgent`` waits for no server."""
        patience_s = 0.0 if urgent else None
        self._be_there(patience_s)
        try:
            return self._read(name)
        except Disconnected:
            self._be_there(patience_s)
            return self._read(name)

    def number(self, name: str, *, urgent: bool = False) -> float:
        """The present value as a number. Raises BadReply."""
        value = self.get(name, urgent=urgent).value
        if isinstance(value, str):
            raise BadReply(f"{self._prefix}{name} is {value!r}, no number")
        return value

    def text(self, name: str) -> str:
        """The present value as text."""
        return str(self.get(name).value)

    def control(self, name: str) -> tuple[str, float, float]:
        """Unit, low and high control limit. Raises as :meth:`get`."""
        self._be_there()
        about = self._ask(name, "control").metadata
        unit = getattr(about, "units", b"")
        return (
            unit.decode("latin-1") if isinstance(unit, bytes) else str(unit),
            float(getattr(about, "lower_ctrl_limit", 0.0)),
            float(getattr(about, "upper_ctrl_limit", 0.0)),
        )

    def put(self, name: str, value: float, *, urgent: bool = False) -> None:
        """Write a value, once, and wait for no completion: whoever writes looks what came of it.

        ``urgent`` does not wait for a server that has gone. Raises Disconnected.
        """
        self._be_there(patience_s=0.0 if urgent else None)
        from caproto import CaprotoError

        try:
            self._channels[name].write([value], wait=False, timeout=_SEND_S)
        except (CaprotoError, OSError) as error:
            raise self._gone(name, error) from error

    def copy(self, source: str, target: str, wanted: Callable[[], bool]) -> None:
        """Have ``target`` written with what ``source`` reads as soon as that is answered, if it is
        still ``wanted`` then; what is not answered in time is not written. Waits for nothing.
        Raises Disconnected."""
        self._be_there(patience_s=0.0)
        from caproto import CaprotoError

        def write(response: Any) -> None:
            with suppress(AutocellError, CaprotoError, OSError):
                value = decoded(response.data)
                if isinstance(value, float) and wanted():
                    self._channels[target].write([value], wait=False, timeout=_SEND_S)

        channel = self._channels[source]
        if not channel.connected:  # the client would wait for it
            raise self._gone(source, ConnectionError("not connected"))
        try:
            channel.read(wait=False, callback=write, timeout=_READ_S, data_type="native")
        except (CaprotoError, OSError) as error:
            raise self._gone(source, error) from error

    def close(self) -> None:
        """Let go of everything. Harmless twice."""
        if self._is_open:
            self._is_open = False
            self._stop_searching()
            self._context.disconnect()
            self._context.broadcaster.disconnect()

    def _stop_searching(self) -> None:
        """The client's thread that looks for a server that has gone must not find its socket closed
        under it: it gets nothing more to look for, and the time to end what it is sending."""
        broadcaster = self._context.broadcaster
        broadcaster.cancel(*(name for name, *_ in list(broadcaster.unanswered_searches.values())))
        self._clock.sleep(_POLL_S)

    def _state_changed(self, _channel: Any, state: str) -> None:
        if state == "disconnected":
            self._lost.set()

    def _read(self, name: str) -> Sample:
        response = self._ask(name, "time")
        try:
            value = decoded(response.data)
        except BadReply as error:
            raise BadReply(f"{self._prefix}{name}: {error}") from error
        about = response.metadata
        return Sample(value, int(about.severity), int(about.status), float(about.timestamp))

    def _ask(self, name: str, data_type: str) -> Any:
        from caproto import CaprotoError

        channel = self._channels[name]
        try:
            response = channel.read(timeout=_READ_S, data_type=data_type)
        except TimeoutError as error:
            if not channel.connected:
                raise self._gone(name, error) from error
            raise NoReply(f"{self._prefix}{name} was not answered in {_READ_S:g} s") from error
        except (CaprotoError, OSError) as error:
            raise self._gone(name, error) from error
        if self._lost.is_set() and not self._returning:
            # Perhaps another server has answered in its place.
            raise self._gone(name, ConnectionError("its server went meanwhile"))
        return response

    def _be_there(self, patience_s: float | None = None) -> None:
        """Wait for a server that went. Raises Disconnected, or what a check raises."""
        if not self._is_open:
            raise Disconnected(f"{self._prefix}: closed by this program")
        if self._returning or not self._lost.is_set():
            return
        left_s = self._clock.now()
        patience = self._patience_s if patience_s is None else patience_s
        missing = self._wait(list(self._channels), patience)
        if missing:
            raise Disconnected(
                f"the server of {self._prefix}{missing[0]} is gone and has not come back within "
                f"{patience:g} s; is its computer on, and the network up?"
            )
        self._returning = True
        try:
            for check in self._checks:
                check()
            self._lost.clear()
        finally:
            self._returning = False
        away_s = self._clock.now() - left_s
        self._told.append(f"{self._prefix} was gone, was waited for {away_s:.1f} s, and is back")

    def _wait(self, names: Sequence[str], seconds: float) -> list[str]:
        """Wait until all are connected; those that are not."""
        deadline = self._clock.now() + seconds
        search_again_at = self._clock.now() + _SEARCH_S
        while True:
            missing = [name for name in names if not self._channels[name].connected]
            now = self._clock.now()
            if not missing or now >= deadline:
                return missing
            if now >= search_again_at:
                # Left alone, the client searches for what it misses less and less often.
                self._context.broadcaster.search_now()
                search_again_at = now + _SEARCH_S
            self._clock.sleep(_POLL_S)

    def _gone(self, name: str, error: Exception) -> Disconnected:
        return Disconnected(f"{self._prefix}{name}: its server is gone ({error})")


def decoded(data: Sequence[Any]) -> float | str:
    """A number, or a text: EPICS sends those longer than 40 characters as arrays of them.

    Raises BadReply for no value at all, and for an array that is no text.
    """
    if len(data) == 0:
        raise BadReply("it holds no value; has it ever been processed?")
    if isinstance(data[0], bytes):
        return data[0].decode("latin-1")
    if len(data) == 1:
        return float(data[0])
    if not all(-128 <= number <= 255 and number == int(number) for number in data):
        raise BadReply(f"it holds {len(data)} numbers, neither one nor a text")
    return bytes(int(number) & 0xFF for number in data).partition(b"\0")[0].decode("latin-1")


def _context_class() -> Any:
    try:
        from caproto.threading.client import Context
    except ImportError as error:
        raise BenchFileError(
            "the driver 'epics' needs caproto, which is not installed; install autocell[epics]"
        ) from error
    return Context

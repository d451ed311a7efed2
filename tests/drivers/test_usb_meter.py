"""The SCPI driver on a USB instrument that pyvisa-sim (MIT) plays: no socket, no serial port, and
no bytes that could be counted, but whole messages."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing
from typing import Any

import pytest
from autocell_drivers.scpi_power_meter import ScpiPowerMeter, ZeroingChannel, open_device
from autocell_drivers.transports import connect

from autocell.bench.clock import RealClock
from autocell.bench.protocols import Line
from autocell.errors import Disconnected, NoReply, Refused, WrongIdentity
from tests.drivers.other_programs import HERE

ADDRESS = "USB0::0x1209::0x0417::0042::INSTR"
CLOCK = RealClock()
SECTION = {
    "range_mw": 10,
    "averaging_ms": 50,
    "settings": [
        {
            "set": "SENS:POW:WAV {wavelength_nm:.1f}",
            "ask": "SENS:POW:WAV?",
            "expect": "{wavelength_nm}",
        },
        {"set": "SENS:POW:RANG {range_w:.3E}", "ask": "SENS:POW:RANG?", "expect": "{range_w}"},
    ],
    "zeroing": {
        "set": "SENS:CORR:COLL:ZERO",
        "ask": "SENS:CORR:COLL:ZERO:MAGN?",
        "largest_uw": 5,
    },
}


@pytest.fixture(autouse=True)
def _played(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PYVISA_LIBRARY", f"{HERE / 'sim-usb-meter.yaml'}@sim")


def opened(identity: str = "SIM-METER", address: str = ADDRESS) -> ScpiPowerMeter:
    section: dict[str, Any] = {
        "driver": "scpi-power-meter", "address": address, "identity": identity, "reconnect_s": 0
    }  # fmt: skip
    return open_device(section, CLOCK, connect)


@pytest.fixture
def meter() -> Iterator[ScpiPowerMeter]:
    device = opened()
    yield device
    device.close()


def test_usb_meter_is_identified_set_read_and_zeroed(meter: ScpiPowerMeter) -> None:
    assert meter.identity == "BOG,SIM-METER,0042,2.0"
    channel = meter.power_meter("power_meter", {**SECTION, "wavelength_nm": 1654})
    assert list(meter.notes) == ["SENS:POW:WAV? 1654.0", "SENS:POW:RANG? 1.000E-02"]
    assert [channel.read().power_w for _ in range(3)] == [1.25e-3] * 3
    assert isinstance(channel, ZeroingChannel)
    assert channel.zero() == 3e-6
    assert channel.check_range() is None
    assert meter.errors() == []
    assert meter.troubles.errors == meter.troubles.retries == 0


def test_setting_that_the_usb_meter_does_not_take_is_refused(meter: ScpiPowerMeter) -> None:
    with pytest.raises(Refused, match=r"SENS:POW:WAV 2000\.0"):
        meter.power_meter("power_meter", {**SECTION, "wavelength_nm": 2000})


def test_another_usb_instrument_than_the_bench_file_says_is_refused() -> None:
    with pytest.raises(WrongIdentity, match=r"OTHER-METER.*SIM-METER"):
        opened("OTHER-METER")


def test_usb_instrument_that_takes_no_bytes_is_told_as_silent() -> None:
    """What pyvisa-sim makes of an address of which its file says nothing."""
    with pytest.raises(NoReply, match=r"0043::INSTR took 0 of 6 bytes"):
        opened(address="USB0::0x1209::0x0417::0043::INSTR")


def test_usb_transport_passes_whole_messages_and_is_silent_until_its_deadline() -> None:
    with closing(connect(ADDRESS, Line(CLOCK))) as line:
        assert line.discard_input() == 0
        line.write(b"READ?\n")
        assert line.read_until(b"\n", CLOCK.now() + 2.0) == b"+1.25000E-03"
        deadline = CLOCK.now() + 0.1
        with pytest.raises(NoReply):
            line.read_until(b"\n", deadline)
        assert CLOCK.now() >= deadline
        line.write(b"*IDN?\n")
        assert line.read_until(b"\n", CLOCK.now() + 2.0) == b"BOG,SIM-METER,0042,2.0"
    with pytest.raises(Disconnected, match=r"closed by this program"):
        line.write(b"READ?\n")
    line.close()

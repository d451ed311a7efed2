"""Motor records: moves, stops, limits, switches and references."""

from __future__ import annotations

import pytest

from autocell.bench.protocols import ReportsReference
from autocell.errors import BenchFileError, LimitError, Refused
from tests.drivers.epics.systems import (
    CLOCK,
    MOTOR,
    RECORD,
    go,
    open_system,
    read,
    wait_until_rest,
    write,
)

pytestmark = pytest.mark.thorough


def test_motor_record_moves_and_is_not_believed_idle_before_it_moved(motors):
    axis = motors.axis("spacing", MOTOR)
    start = axis.position()
    target = 1.5e-3 if start < 1e-3 else 0.5e-3
    axis.start_move(target)
    assert axis.moving()
    wait_until_rest(axis)
    assert axis.position() == pytest.approx(target, abs=1e-6)
    assert axis.limits() == pytest.approx((0.0, 10e-3))


def test_motor_record_stops_on_its_way(motors):
    axis = motors.axis("spacing", MOTOR)
    go(axis, 0.5e-3)
    axis.start_move(9e-3)
    CLOCK.sleep(0.6)
    axis.stop()
    wait_until_rest(axis)
    at = axis.position()
    assert 0.5e-3 < at < 8e-3
    CLOCK.sleep(0.4)
    assert axis.position() == at
    axis.stop()


def test_motor_record_beyond_its_limits_or_paused_is_refused(motors):
    axis = motors.axis("spacing", MOTOR)
    with pytest.raises(LimitError, match="0 to 10"):
        axis.start_move(11e-3)
    write("sim:mtr1.SPMG", 0)
    with pytest.raises(Refused, match="SPMG"):
        axis.start_move(9e-3)
    write("sim:mtr1.SPMG", 3)
    assert not axis.moving()


@pytest.mark.parametrize(
    ("field", "value", "told"),
    [
        ("SPMG", 1, "SPMG"),
        ("SET", 1, "calibration"),
        ("LLS", 1, "low limit switch"),
        ("HLS", 1, "high limit switch"),
        ("MSTA", 1 << 9, "problem"),
        ("MSTA", 1 << 12, "reach"),
        ("DMOV", 0, "still moving"),
        ("HLM", -1.0, "lost its limits"),
    ],
)
def test_motor_record_that_is_not_well_is_sent_nowhere(record, field, value, told):
    axis = record.axis("spacing", RECORD)
    position = axis.position()
    assert position == pytest.approx(5e-6)  # its unit is um
    before = read(f"bog2:m.{field}")
    write(f"bog2:m.{field}", value)
    try:
        with pytest.raises(Refused, match=told):
            axis.start_move(position + (1e-6 if field != "LLS" else -1e-6))
        assert read("bog2:m") == 5.0
    finally:
        write(f"bog2:m.{field}", before)


def test_stop_is_sent_to_a_server_that_does_not_answer(record_server, record):
    record_axis = record.axis("spacing", RECORD)
    output = open_system("record", outputs={"m": {"readback": "m.RBV", "stop": "m.HLS"}})
    output_axis = output.axis("spacing", RECORD | {"units_per_mm": 1e3})
    record_server.hang()
    try:
        record_axis.send_stop()
        output_axis.send_stop()
    finally:
        record_server.go_on()
    record_axis.position()  # it goes on
    output_axis.position()
    assert read("bog2:m.STOP") == read("bog2:m.HLS") == 1
    for field in ("STOP", "HLS"):
        write(f"bog2:m.{field}", 0)
    output_axis.stop()
    assert read("bog2:m.HLS") == 1
    write("bog2:m.HLS", 0)
    output.close()


def test_limit_switch_that_is_being_left_does_not_keep_the_axis_there(record):
    axis = record.axis("spacing", RECORD)
    write("bog2:m.LLS", 1)
    axis.start_move(6e-6)
    assert axis.moving()
    write("bog2:m.DMOV", 0)
    assert axis.moving()
    write("bog2:m.RBV", 6.0)
    assert axis.moving()
    write("bog2:m.DMOV", 1)
    assert not axis.moving()
    for name, value in (("LLS", 0), ("RBV", 5.0)):
        write(f"bog2:m.{name}", value)
    write("bog2:m", 5.0)


def test_motor_record_tells_its_reference_once_it_has_been_homed(record):
    assert not isinstance(record.axis("spacing", RECORD), ReportsReference)
    write("bog2:m.MSTA", 1 << 14)
    axis = record.axis("spacing", RECORD)
    assert isinstance(axis, ReportsReference)
    assert axis.referenced()
    write("bog2:m.MSTA", 0)
    assert not axis.referenced()


def test_motor_record_without_limits_or_unit_is_refused(motors, record):
    with pytest.raises(BenchFileError, match="EGU"):
        motors.axis("spacing", {key: MOTOR[key] for key in MOTOR if key != "units_per_mm"})
    write("bog2:m.BDST", 0.02)
    record.axis("spacing", RECORD)
    assert "backlash itself" in record.notes[-1]
    write("bog2:m.BDST", 0.0)
    write("bog2:m.HLM", 0.0)
    with pytest.raises(BenchFileError, match="LLM and HLM"):
        record.axis("spacing", RECORD)
    write("bog2:m.HLM", 10.0)

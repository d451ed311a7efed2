"""A fault begins when its schedule says, and the same seed says the same."""

import math

import numpy as np
import pytest
from autocell_simulators.faults.schedule import Agenda, Schedule, When

from autocell.description import BenchDescription
from autocell.errors import Disconnected
from tests.faults.conftest import Client

HOUR_S = 3600.0


def a_night(description: BenchDescription, *more: dict[str, object]) -> list[tuple[str, float]]:
    client = Client(
        description,
        *more,
        {"fault": "knock", "urad": 50.0, "when": {"per_hour": 2.0}},
        {"fault": "stick", "axis": "pitch", "when": {"per_move": 0.3}},
        {"fault": "mode-hop", "when": {"per_reading": 0.1}},
    )
    for turn in range(60):
        client.go("pitch", 1e-3 * (turn % 2))
        client.read()
        client.wait(600.0)
    return [(event.fault, event.time_s) for event in client.events if event.fault != "dust"]


def test_one_seed_gives_one_night_and_another_fault_changes_none_of_the_rest(
    description: BenchDescription,
) -> None:
    night = a_night(description)
    assert {fault for fault, _ in night} == {"knock", "stick", "mode-hop"}
    assert a_night(description) == night
    assert a_night(description, {"fault": "dust", "when": {"per_hour": 5.0}}) == night


def test_two_faults_of_one_name_have_random_numbers_of_their_own(
    description: BenchDescription,
) -> None:
    knock = {"fault": "knock", "urad": 50.0, "when": {"per_hour": 2.0}}
    one, two = Client(description, knock), Client(description, knock, knock)
    for client in (one, two):
        client.wait(20 * HOUR_S)
    times = [event.time_s for event in one.events]
    assert set(times) < {event.time_s for event in two.events}


def test_chance_per_hour_has_its_rate_and_no_memory() -> None:
    schedule = Schedule(When(per_hour=6.0), 0.0, np.random.default_rng(3), "query", 0.5)
    times = []
    while schedule.next_s is not None and schedule.next_s < 2000 * HOUR_S:
        times.append(schedule.next_s)
        schedule.began()
    gaps = np.diff(times)
    # exponential: mean and standard deviation are one; of 12000 gaps, known to 1 %
    assert gaps.mean() == pytest.approx(600.0, rel=0.03)
    assert gaps.std() == pytest.approx(600.0, rel=0.03)


def test_the_nth_query_is_the_nth_reply_of_that_device(description: BenchDescription) -> None:
    client = Client(description)
    fault = {"fault": "disconnected", "device": "motion", "when": {"query": 4}}
    client.bench.begin(fault)
    for _ in range(3):
        client.controller("ID?")
        client.meter("*IDN?")
    assert client.events == []
    with pytest.raises(Disconnected):
        client.controller("ID?")
    (event,) = client.events
    assert (event.who, event.count) == ("motion", 4)


@pytest.mark.parametrize("part", [0.25, 0.75])
def test_a_fault_during_a_move_begins_at_its_part_of_it(
    description: BenchDescription, part: float
) -> None:
    client = Client(
        description,
        {"fault": "mode-hop", "when": {"move": 2, "part": part}},
    )
    client.go("horizontal", 1e-3)
    assert client.events == []
    began_s = client.clock.now()
    client.go("horizontal", 0.0)
    (event,) = client.events
    # trapezoid: 1 mm at 1 mm/s, with ramps of 5 mm/s²
    assert event.time_s - began_s == pytest.approx(part * (1.0 + 0.2), abs=1e-3)
    assert event.who == "horizontal"


def test_a_fault_during_a_reading_shows_in_the_rest_of_it(description: BenchDescription) -> None:
    fault = {"fault": "mode-hop", "percent": 10.0, "when": {"reading": 2, "part": 0.5}}
    client = Client(description, fault)
    client.meter("SENS:AVER:COUN 1000;*OPC?")
    before_w, during_w, after_w = (client.read() for _ in range(3))
    assert abs(after_w / before_w - 1.0) == pytest.approx(0.1, rel=1e-6)
    # of Simpson's samples the middle and the last come after the step
    assert (during_w - before_w) / (after_w - before_w) == pytest.approx(5.0 / 6.0, rel=1e-6)


def test_a_fault_that_begins_again_while_it_is_there_stays_its_time_from_then(
    description: BenchDescription,
) -> None:
    client = Client(description)
    client.bench.begin({"fault": "room-light", "when": {"per_reading": 1.0, "part": 0.0},
                        "for_s": 20.0})  # fmt: skip
    client.read()
    client.wait(15.0)
    client.read()
    client.wait(15.0)
    ends = [event.time_s for event in client.events if event.what == "ends"]
    assert ends == []
    client.wait(10.0)
    (end_s,) = (event.time_s for event in client.events if event.what == "ends")
    last_begin_s = [event.time_s for event in client.events if event.what == "begins"][-1]
    assert end_s - last_begin_s == pytest.approx(20.0)


def test_faults_can_be_begun_and_ended_by_hand(description: BenchDescription) -> None:
    client = Client(description)
    before_w = client.read()
    client.bench.begin({"fault": "mode-hop", "percent": 5.0})
    assert client.read() != pytest.approx(before_w, rel=1e-3)
    assert client.bench.end("mode-hop") == 1
    assert client.read() == pytest.approx(before_w)
    assert client.bench.end("mode-hop") == 0


def test_an_agenda_keeps_the_order_of_times_and_of_entries() -> None:
    agenda, done = Agenda(), []
    for name, time_s in (("b", 2.0), ("a", 1.0), ("c", 2.0)):
        agenda.add(time_s, lambda due_s, name=name: done.append((name, due_s)))
    agenda.do(1.5)
    assert (done, agenda.next_s) == ([("a", 1.0)], 2.0)
    agenda.do(2.0)
    assert done == [("a", 1.0), ("b", 2.0), ("c", 2.0)]
    assert agenda.next_s == math.inf


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ({"fault": "laser-drift", "percent": 3.0, "period_h": 2.0}, {"fault": "dark-offset"}),
        ({"fault": "late-reply", "device": "meter", "ms": 100.0, "when": {"per_query": 1.0}},
         {"fault": "backlash", "um": 8.0}),
        ({"fault": "power-cycle", "when": {"at_s": 1800.0}},
         {"fault": "spacing-expansion", "um_per_k": 8.0}),
        ({"fault": "etalon-fringe", "percent": 1.0}, {"fault": "mirror-film"}),
    ],
)  # fmt: skip
def test_faults_in_pairs_do_each_what_they_do_alone(
    description: BenchDescription, one: dict[str, object], other: dict[str, object]
) -> None:
    clients = {
        name: Client(description, {"fault": "room-temperature"}, *faults)
        for name, faults in {
            "none": (), "one": (one,), "other": (other,), "both": (one, other)
        }.items()
    }  # fmt: skip
    readings = {}
    for name, client in clients.items():
        client.go("horizontal", 1.9e-3)
        client.go("horizontal", 1.7e-3)
        client.wait(HOUR_S)
        readings[name] = client.read()
    product = readings["one"] * readings["other"] / readings["none"]
    assert readings["both"] == pytest.approx(product, rel=2e-4)
    alone = [event.fault for name in ("one", "other") for event in clients[name].events]
    together = [event.fault for event in clients["both"].events]
    assert set(together) == set(alone)
    assert len(together) == len(alone) - 1  # the room is in both

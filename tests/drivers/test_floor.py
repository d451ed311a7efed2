"""Bytes of one thread never get in between those of another, and none waits for one that hangs."""

from __future__ import annotations

import threading

import pytest
from autocell_drivers import floor as module
from autocell_drivers.floor import Floor

from autocell.errors import Stopped

_PATIENCE_S = 20.0


class Writer(threading.Thread):
    """Writes a message in two halves, the second when it may go on; then what came of it."""

    def __init__(self, floor, line):
        super().__init__(daemon=True)
        self.floor, self.line = floor, line
        self.halfway, self.goes_on = threading.Event(), threading.Event()
        self.raised = None
        self.start()
        assert self.halfway.wait(_PATIENCE_S)

    def run(self):
        try:
            with self.floor.kept():
                with self.floor.writing():
                    self.line.append("1 MA ")
                    self.halfway.set()
                    self.goes_on.wait(_PATIENCE_S)
                    self.line.append("20")
                with self.floor.writing():
                    self.line.append("more")
        except Stopped as error:
            self.raised = error


def stop(floor, line):
    with floor.taken(), floor.writing():
        line.append("1 SP")


def test_a_stop_comes_after_the_message_that_is_being_written_and_before_the_next(monkeypatch):
    monkeypatch.setattr(module, "_MANNERS_S", _PATIENCE_S)
    line = []
    floor = Floor(lambda: writer.goes_on.set())
    writer = Writer(floor, line)
    stop(floor, line)
    writer.join(_PATIENCE_S)
    assert line == ["1 MA ", "20", "1 SP"]
    assert writer.raised is not None


def test_a_stop_does_not_wait_for_a_message_that_hangs():
    line = []
    floor = Floor(lambda: None)
    writer = Writer(floor, line)
    stop(floor, line)
    assert line == ["1 MA ", "1 SP"]
    writer.goes_on.set()
    writer.join(_PATIENCE_S)
    assert writer.raised is not None


def test_stops_of_two_threads_at_once_break_each_other_off_nowhere():
    floor, line = Floor(lambda: None), []
    with floor.taken():
        other = threading.Thread(target=stop, args=(floor, line), daemon=True)
        other.start()
        other.join(_PATIENCE_S)
        with floor.kept(), floor.writing():
            line.append("asks")
    assert line == ["1 SP", "asks"]


def test_a_call_that_begins_after_the_stop_is_heard_and_one_that_was_begun_before_is_not():
    floor, line = Floor(lambda: None), []
    with floor.kept():
        other = threading.Thread(target=stop, args=(floor, line), daemon=True)
        other.start()
        other.join(_PATIENCE_S)
        with pytest.raises(Stopped):
            floor.check()
    with floor.kept(), floor.writing(), floor.reading():
        line.append("asks")
    assert line == ["1 SP", "asks"]

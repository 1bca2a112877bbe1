"""A repeated complaint is written once and counted."""

from __future__ import annotations

import logging

from bridge.trust.restraint import QUIET_S, Restraint


class Heard(logging.Handler):
    def __init__(self) -> None:
        super().__init__()
        self.lines: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        self.lines.append(record.getMessage())


class Rig:
    def __init__(self) -> None:
        self.now_s = 0.0
        self.heard = Heard()
        self.heard.addFilter(Restraint(clock=lambda: self.now_s))
        self.log = logging.Logger("rig")  # of its own, so that nothing else hears it
        self.log.addHandler(self.heard)


def test_a_repeated_warning_is_told_once_and_then_counted() -> None:
    rig = Rig()
    for _ in range(1000):
        rig.log.warning("no room for %s", "guests")
    assert rig.heard.lines == ["no room for guests"]
    rig.now_s = QUIET_S
    rig.log.warning("no room for %s", "guests")
    assert rig.heard.lines[1:] == ["no room for guests (and 999 more like it)"]


def test_different_warnings_are_all_told_up_to_a_measure() -> None:
    rig = Rig()
    for number in range(15):
        rig.log.warning("wrong token from %s", number)
    assert len(rig.heard.lines) == 15
    for number in range(100_000):
        rig.log.warning("wrong token from %s", number)
    assert len(rig.heard.lines) == 20
    rig.log.warning("something else")
    assert rig.heard.lines[-1] == "something else"


def test_what_is_no_warning_passes() -> None:
    rig = Rig()
    for _ in range(5):
        rig.log.info("a beat")
    assert len(rig.heard.lines) == 5


def test_an_hour_of_flood_is_a_short_log() -> None:
    rig = Rig()
    for step in range(36_000):
        rig.now_s = step / 10
        for number in range(5):
            rig.log.warning("wrong token from %s", (step, number))
    assert len(rig.heard.lines) <= 20 * 3600 / QUIET_S
    assert sum(map(len, rig.heard.lines)) < 1_000_000

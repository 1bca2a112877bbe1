"""The table of cases, and that actions do not depend on how often the time is told."""

from __future__ import annotations

import json

import pytest

from bridge.commands.rules import detection_from
from bridge.rules.actions import Action
from bridge.rules.engine import Engine
from bridge.rules.loader import load
from bridge.signals.types import moment
from tests.rules.cases import CASES, LEVEL_CASES, MODE_CASES, MODES, Case

HEAD = """version: 1
outputs:
  keys: {type: keystrokes}
  sound: {type: osc, port: 9000}
  lamp: {type: mqtt, host: localhost}
"""
ALL = [*CASES, *MODE_CASES, *LEVEL_CASES]


def engine_of(case: Case) -> Engine:
    modes = MODES if case in MODE_CASES else ""
    part = "levels:\n" if case in LEVEL_CASES else "rules:\n"
    text = HEAD + modes + part + "".join(f"  - {rule}\n" for rule in case.rules.splitlines())
    return Engine(load(text).rules)


def run(case: Case, *, ticks_s: float | None = None) -> list[Action]:
    """With ``ticks_s`` the time is told that often between the events."""
    engine, told, now = engine_of(case), [], 0.0
    for line in case.events.splitlines():
        passing = line.startswith("at ")
        detection = None if passing else detection_from(line)
        until = float(line.split()[1]) if detection is None else moment(detection)
        while ticks_s is not None and now + ticks_s < until:
            now += ticks_s
            told += engine.advance(now)
        told += engine.advance(until) if detection is None else engine.process(detection)
        now = until
    return told


def written(action: Action) -> str:
    ((verb, value),) = action.act.to_json().items()
    return f"{action.time:g} {action.output} {verb} {value if isinstance(value, str) else json.dumps(value)}"


@pytest.mark.parametrize("case", ALL, ids=lambda case: case.name)
def test_case(case: Case) -> None:
    assert [written(action) for action in run(case)] == case.actions.splitlines()


def test_a_rule_resumes_what_a_rule_paused_and_nothing_else() -> None:
    """A pause by hand is somebody's stop: what the body seems to say does not end it."""
    (case,) = [case for case in CASES if case.name == "pause and a rule that resumes"]
    engine = engine_of(case)

    def told(text: str) -> list[str]:
        return [
            written(action) for line in text.splitlines() for action in engine.process(detection_from(line))
        ]

    engine.pause()
    assert told("blink 1\nblink 1.5\nblink 2\ngaze-left 3") == []
    engine.resume()
    assert told("gaze-left 4") == ["4 keys press a"]
    assert told("long-closure 5 start") == ["5 rules paused true"]
    engine.pause()  # a hand takes over the rule's pause
    assert told("blink 6\nblink 6.5\nblink 7\ngaze-left 8") == []
    engine.resume()
    assert told("long-closure 9 start") == ["9 rules paused true"]
    assert told("blink 10\nblink 10.5\nblink 11") == ["11 rules paused false"]


@pytest.mark.parametrize("case", ALL, ids=lambda case: case.name)
@pytest.mark.parametrize("ticks_s", [0.004, 0.1, 0.77])
def test_how_often_the_time_is_told_makes_no_difference(case: Case, ticks_s: float) -> None:
    assert [written(action) for action in run(case, ticks_s=ticks_s)] == case.actions.splitlines()


@pytest.mark.parametrize("case", ALL, ids=lambda case: case.name)
def test_in_the_end_nothing_is_held(case: Case) -> None:
    """Whatever went down has come up after ``release``."""
    engine, down = engine_of(case), []
    told: list[Action] = []
    for line in case.events.splitlines():
        told += (
            engine.advance(float(line[3:]))
            if line.startswith("at ")
            else engine.process(detection_from(line))
        )
    told += engine.release(engine.time)
    for action in told:
        plain = action.act.to_json()
        if "down" in plain:
            down.append(plain["down"])
        elif "up" in plain:
            down.remove(plain["up"])
    assert down == []


def test_there_are_enough_cases() -> None:
    assert len(ALL) >= 60
    assert len({case.name for case in ALL}) == len(ALL)


SAFE = Case(
    "safe",
    "{name: A, when: {event: contraction}, then: {send: {address: /go, arguments: [1]}}, "
    "safe: {send: {address: /go, arguments: [0]}}}",
    "contraction 1 start",
    "",
)


def test_safe_values_go_out_once_on_pause_and_on_exit() -> None:
    engine = engine_of(SAFE)
    engine.process(detection_from("contraction 1 start"))
    paused = engine.pause()
    assert [written(action) for action in paused] == ['1 sound send {"address": "/go", "arguments": [0]}']
    assert all(action.safe for action in paused)
    assert engine.pause() == []
    engine.resume()
    engine.process(detection_from("contraction 2 start"))
    ended = engine.release(5.0)
    assert [written(action) for action in ended] == ['5 sound send {"address": "/go", "arguments": [0]}']

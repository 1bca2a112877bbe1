"""What is wrong between rules is found when the file is read, at its place, and explained."""

from __future__ import annotations

import pytest

from bridge.rules.loader import RuleFileErrors, load
from bridge.rules.problems import Problem

HEAD = """version: 1
source: {type: serial, channels: [{name: forehead, kind: eeg}, {name: arm, kind: emg}]}
outputs: {keys: {type: keystrokes}}
"""


def told(text: str) -> list[Problem]:
    try:
        return list(load(HEAD + text).warnings)
    except RuleFileErrors as errors:
        return list(errors.problems)


def rules(*lines: str, modes: str = "") -> str:
    return (f"modes: [{modes}]\n" if modes else "") + "rules:\n" + "".join(f"  - {line}\n" for line in lines)


# What it is: (the text, line in it counted from 1 after the head, severity, words of the message, of the mend)
CONFLICTS: dict[str, tuple[str, int, str, str, str]] = {
    "two rules hold the same key": (
        rules(
            "{name: A, when: {event: contraction}, then: {hold: Space}}",
            "{name: B, when: {event: long-closure}, then: {hold: Space}}",
        ),
        3, "warning", "both hold the key `Space`", "another key",
    ),
    "a level's duty and a hold on the same key": (
        rules("{name: A, when: {event: contraction}, then: {hold: Space}}")
        + "levels:\n  - {level: contraction-level, every: 100 ms, then: {duty: Space}}\n",
        4, "warning", "both hold the key `Space`", "another key",
    ),
    "another rule does the same already": (
        rules(
            "{name: Any, when: {event: blink}, then: {press: a}}",
            "{name: Meant, when: {event: blink, deliberate: true}, then: {press: a}}",
        ),
        3, "warning", "`Meant` adds nothing", "remove",
    ),
    "a rule that another always switches off first": (
        rules(
            "{name: Play, when: {event: blink}, then: {mode: game}, while: menu}",
            "{name: Never, when: {event: blink}, then: {press: a}, while: menu}",
            "{name: Back, when: {event: contraction}, then: {mode: menu}, while: game}",
            modes="menu, game",
        ),
        4, "error", "`Never` can never fire", "above",
    ),
    "a detector that does not give the event": (
        rules("{name: A, when: {event: blink, from: arms}, then: {press: a}}")
        + "detectors:\n  - {detector: contraction, name: arms}\n",
        2, "error", "`A` can never fire", "another detector",
    ),
    "no channel that could give the event": (
        rules("{name: A, when: {event: heartbeat}, then: {press: a}}"),
        2, "warning", "cannot fire with this source", "channel",
    ),
    "more blinks than a person can make in the time": (
        rules("{name: A, when: {event: blink, times: 5, within: 100 ms}, then: {press: a}}"),
        2, "warning", "hardly ever", "more time",
    ),
    "a mode that cannot be left": (
        rules(
            "{name: Play, when: {event: blink}, then: {mode: game}, while: menu}",
            "{name: Jump, when: {event: blink}, then: {press: a}, while: game}",
            modes="menu, game",
        ),
        1, "warning", "`game` cannot be left", "switches",
    ),
    "a mode that is never on": (
        rules("{name: A, when: {event: blink}, then: {press: a}, while: menu}", modes="menu, game"),
        1, "warning", "`game` is never switched to", "add a rule",
    ),
    "a rule in a mode that is never on": (
        rules("{name: A, when: {event: blink}, then: {press: a}, while: game}", modes="menu, game"),
        3, "error", "`A` can never fire", "switches there",
    ),
    "a pause that no rule ends": (
        rules("{name: Stop, when: {event: long-closure}, then: pause}"),
        2, "warning", "no rule resumes", "resume",
    ),
    "a rule that fires on the first step of a sequence": (
        rules(
            "{name: A, when: {event: blink}, then: {press: a}}",
            "{name: B, when: {sequence: [{event: blink}, {event: contraction}], within: 1 s}, then: {press: b}}",
        ),
        2, "warning", "also fires on the first step of `B`", "wait: true",
    ),
    "a rule that presses the pause key": (
        rules("{name: A, when: {event: blink}, then: {press: Pause}}"),
        2, "error", "`Pause` is the pause key", "another",
    ),
    "no rules at all": ("rules: []\n", 1, "warning", "", ""),
}  # fmt: skip


@pytest.mark.parametrize("name", CONFLICTS)
def test_a_conflict_is_found_and_explained(name: str) -> None:
    text, line, severity, what, mend = CONFLICTS[name]
    found = told(text)
    near = [item for item in found if what in item.what and mend in item.mend and item.severity == severity]
    assert near, [item.text("f") for item in found]
    if what:
        assert HEAD.count("\n") + line in [item.line for item in near], [item.text("f") for item in found]


QUIET = {
    "the same key in modes that exclude each other": rules(
        "{name: A, when: {event: contraction}, then: {hold: Space}, while: one}",
        "{name: B, when: {event: long-closure}, then: {hold: Space}, while: two}",
        "{name: C, when: {event: blink}, then: {mode: two}, while: one}",
        "{name: D, when: {event: blink}, then: {mode: one}, while: two}",
        modes="one, two",
    ),
    "a narrower rule that does something else": rules(
        "{name: Any, when: {event: blink}, then: {press: a}}",
        "{name: Meant, when: {event: blink, deliberate: true}, then: {press: b}}",
    ),
    "a double blink beside a single one": rules(
        "{name: One, when: {event: blink}, then: {press: a}}",
        "{name: Two, when: {event: blink, times: 2, within: 700 ms}, then: {press: a}}",
    ),
    "pause and resume": rules(
        "{name: Stop, when: {event: long-closure}, then: pause}",
        "{name: Go, when: {event: blink, times: 3, within: 2 s}, then: resume}",
    ),
    "a sequence that is waited for": rules(
        "{name: A, when: {event: blink}, then: {press: a}, wait: true}",
        "{name: B, when: {sequence: [{event: blink}, {event: contraction}], within: 1 s}, then: {press: b}}",
    ),
}


@pytest.mark.parametrize("name", QUIET)
def test_what_is_meant_is_not_complained_about(name: str) -> None:
    assert [item.text("f") for item in told(QUIET[name])] == []


def test_disarming_where_nothing_is_armed_is_told() -> None:
    text = (
        "version: 1\noutputs: {sound: {type: osc, port: 9000}}\nrules:\n"
        "  - {name: Stop, when: {event: long-closure}, then: disarm}\n"
    )
    (found,) = [item for item in load(text).warnings if "nothing to disarm" in item.what]
    assert (found.line, found.severity) == (4, "warning")
    keys = text.replace("{type: osc, port: 9000}", "{type: keystrokes}")
    assert not [item for item in load(keys).warnings if "disarm" in item.what]

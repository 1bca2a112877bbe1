"""What `explain` says a rule waits for is what the engine makes it wait for."""

from __future__ import annotations

import pytest

from bridge.commands.rules import detection_from
from bridge.rules.actions import Action
from bridge.rules.engine import Engine
from bridge.rules.explain import rule_sentence, sentences
from bridge.rules.loader import load
from bridge.rules.waiting import waiting
from bridge.signals.types import moment

HEAD = "version: 1\noutputs: {keys: {type: keystrokes}}\nrules:\n"
DOUBLE = "{name: Double, when: {event: blink, times: 2, within: 700 ms}, then: {press: a}%s}"
TRIPLE = "{name: Triple, when: {event: blink, times: 3, within: 1.5 s%s}, then: {press: b}%s}"


@pytest.mark.parametrize(
    ("double", "triple", "more", "after_s"),
    [
        ("", "", "", 1.5),
        (", wait: false", "", "", None),
        ("", ", deliberate: true", "", 1.5),
    ],
)
def test_the_wait_is_told_and_kept(double: str, triple: str, more: str, after_s: float | None) -> None:
    rules = load(HEAD + f"  - {DOUBLE % double}\n  - {TRIPLE % (triple, more)}\n").rules
    found = waiting(rules.rules[0], rules)
    assert (None if found is None else found.after_s) == after_s
    assert waiting(rules.rules[1], rules) is None
    engine = Engine(rules)
    told: list[Action] = []
    for line in ("blink 1 deliberate=1", "blink 1.4 deliberate=1"):
        detection = detection_from(line)
        told += engine.advance(moment(detection)) + engine.process(detection)
    told += engine.advance(5.0)
    (press,) = told
    assert press.rule == "Double"
    assert press.time == pytest.approx(1.4 if after_s is None else 1.0 + after_s)


def test_a_sequence_is_waited_for_on_request_only() -> None:
    sequence = (
        "{name: Both, when: {sequence: [{event: blink}, {event: gaze-left}], within: 2 s}, then: {press: b}}"
    )
    for wait, after_s in (("", None), (", wait: true", 2.0)):
        one = "{name: One, when: {event: blink}, then: {press: a}" + wait + "}"
        rules = load(HEAD + f"  - {one}\n  - {sequence}\n").rules
        found = waiting(rules.rules[0], rules)
        assert (None if found is None else found.after_s) == after_s


def test_modes_that_exclude_each_other_keep_rules_apart() -> None:
    switch = "{name: To %s, when: {event: gaze-left}, then: {mode: %s}, while: %s}"
    rules = load(
        HEAD.replace("rules:", "modes: [one, two]\nrules:")
        + f"  - {DOUBLE % ', while: one'}\n  - {TRIPLE % ('', ', while: two')}\n"
        + f"  - {switch % ('two', 'two', 'one')}\n  - {switch % ('one', 'one', 'two')}\n"
    ).rules
    assert waiting(rules.rules[0], rules) is None


def test_in_words() -> None:
    rules = load(HEAD + f"  - {DOUBLE % ''}\n  - {TRIPLE % ('', '')}\n").rules
    told = dict(sentences(rules))
    assert "it waits whether “Triple” follows, so it comes 1.5 s after its first event" in told["Double"]
    assert "waits" not in told["Triple"]
    (closure,) = load(
        HEAD + "  - {name: A, when: {event: long-closure, lasting: 1.5 s}, then: pause}\n"
    ).rules.rules
    assert rule_sentence(closure).startswith(
        "On a long closure of the eyes that lasts 1.5 s: pause all rules"
    )

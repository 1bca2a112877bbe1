"""The log output has a rate limit like every other, in time of the signal."""

from __future__ import annotations

from bridge.outputs import build
from bridge.rules.actions import Action, Note
from bridge.rules.devices import LogOutput


def sent(spec: LogOutput, times_s: list[float]) -> list[bool]:
    output = build("book", spec)
    told = [output.send(Action(time_s, "rule", "book", Note("said"), None)) for time_s in times_s]
    assert (output.counts.sent, output.counts.refused) == (told.count(True), told.count(False))
    return told


def test_more_than_the_rule_file_allows_is_refused_and_counted() -> None:
    told = sent(LogOutput(type="log", most_per_second=10), [at / 100 for at in range(1000)])
    assert 100 <= told.count(True) <= 110


def test_without_a_limit_of_its_own_there_is_one() -> None:
    told = sent(LogOutput(type="log"), [0.0] * 1000)
    assert told == [True] * 100 + [False] * 900

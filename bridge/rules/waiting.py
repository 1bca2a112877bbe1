"""What a rule waits for: larger patterns of other rules that its own events could become part of."""

from __future__ import annotations

from dataclasses import dataclass

from bridge.rules.conditions import (
    Condition,
    EventCondition,
    EventFilter,
    SequenceCondition,
    TogetherCondition,
)
from bridge.rules.links import filters_of
from bridge.rules.schema import Rule, RuleFile


@dataclass(frozen=True, slots=True)
class Waiting:
    """``rules`` are waited for, and the rule comes ``after_s`` after the first of its own events."""

    rules: tuple[str, ...]
    after_s: float


def waiting(rule: Rule, rules: RuleFile) -> Waiting | None:
    """As the engine decides it (``bridge.rules.engine``, "Waiting"); None for a rule that waits for none."""
    own, _, _ = _pattern(rule.when)
    if not own or rule.wait is False:
        return None
    names: list[str] = []
    longest_s = 0.0
    for other in rules.rules:
        size, window_s, is_sequence = _pattern(other.when)
        if other is rule or size <= own or (is_sequence and rule.wait is not True):
            continue
        if ("resume" in other.then) != ("resume" in rule.then):
            continue
        if rule.while_ and other.while_ and not set(rule.while_) & set(other.while_):
            continue
        theirs = [wanted for _, wanted in filters_of(other.when)]
        if any(_both(mine, one) for _, mine in filters_of(rule.when) for one in theirs):
            names.append(other.name)
            longest_s = max(longest_s, window_s)
    return Waiting(tuple(names), longest_s) if names else None


def _pattern(when: Condition) -> tuple[int, float, bool]:
    """How many events it takes (0: it is not made of single events), within what time, in order or not."""
    match when:
        case EventCondition():
            return when.times or 1, when.within or 0.0, False
        case SequenceCondition():
            return len(when.sequence), when.within, True
        case TogetherCondition():
            return len(when.together), when.within, False
        case _:
            return 0, 0.0, False


def _both(one: EventFilter, other: EventFilter) -> bool:
    """Can one event fit both?"""
    return one.event == other.event and all(
        mine is None or theirs is None or mine == theirs
        for mine, theirs in (
            (one.edge, other.edge),
            (one.from_, other.from_),
            (one.deliberate, other.deliberate),
        )
    )

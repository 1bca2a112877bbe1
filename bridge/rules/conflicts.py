"""Rules that get in each other's way, or can never fire: found when the file is read.

What can never work is an error; what works but hardly as meant is a warning. Comparisons within one group of
rules are bounded, so that a file of ten thousand rules is still read in a second.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from bridge.detectors import DETECTORS
from bridge.rules.conditions import Bounds, Condition, EventCondition, EventFilter, SequenceCondition
from bridge.rules.deeds import Duty, Hold, SwitchMode, Toggle
from bridge.rules.devices import KeystrokesOutput
from bridge.rules.links import Path, filters_of, output_of
from bridge.rules.problems import Severity
from bridge.rules.schema import Rule, RuleFile
from bridge.rules.typed import typed_keys

_COMPARED = 30
# Nothing the body does comes more often than ten times a second (common practice).
_LEAST_APART_S = 0.1


@dataclass(frozen=True, slots=True)
class Conflict:
    """``path`` leads to the place in the file."""

    path: Path
    what: str
    mend: str
    severity: Severity = "warning"


def find_conflicts(rules: RuleFile) -> list[Conflict]:
    """All of them, in no order."""
    return [
        *_same_keys(rules),
        *_modes(rules),
        *_never(rules),
        *_shadowed(rules),
        *_unsettled(rules),
        *_pauses(rules),
        *_disarms(rules),
        *_empty(rules),
        *_pause_keys(rules),
    ]


def _pause_keys(rules: RuleFile) -> Iterator[Conflict]:
    """A rule would press the key that is kept for the person's pause."""
    kept = {spec.pause_key for spec in rules.outputs.values() if isinstance(spec, KeystrokesOutput)}
    for path, key in typed_keys(rules):
        if key in kept:
            yield Conflict(
                path,
                f"`{key}` is the pause key, so no rule can press it",
                "press another key, or give the keystrokes output another `pause_key`",
                "error",
            )


def _disarms(rules: RuleFile) -> Iterator[Conflict]:
    """A rule would disarm where nothing is ever armed."""
    if any(isinstance(spec, KeystrokesOutput) for spec in rules.outputs.values()):
        return
    for index, rule in enumerate(rules.rules):
        if "disarm" in rule.then:
            yield Conflict(
                ("rules", index, "then", rule.then.index("disarm")),
                "there is nothing to disarm: no output sends keystrokes",
                "`pause` stops every output",
            )


def _empty(rules: RuleFile) -> Iterator[Conflict]:
    if not rules.rules and not rules.levels:
        yield Conflict((), "there are no rules: nothing will be sent", "add some under `rules`")


def _meet(some: tuple[str, ...] | None, others: tuple[str, ...] | None) -> bool:
    """Can both be on in the same mode?"""
    return not some or not others or bool(set(some) & set(others))


def _same_keys(rules: RuleFile) -> Iterator[Conflict]:
    """Two rules that hold the same key: it goes up only when both have let go."""
    users: dict[tuple[str, str], list[tuple[str, tuple[str, ...] | None]]] = {}

    def note(
        path: Path, name: str, modes: tuple[str, ...] | None, deed: Any, keys: tuple[str, ...]
    ) -> Iterator[Conflict]:
        output = output_of(deed, rules.outputs)
        for key in keys:
            others = users.setdefault((output, key), [])
            for other, other_modes in others[:_COMPARED]:
                if other != name and _meet(modes, other_modes):
                    yield Conflict(
                        path,
                        f"`{name}` and `{other}` both hold the key `{key}`: it stays down until both let go",
                        "use another key, or modes that keep them apart",
                    )
                    break
            others.append((name, modes))

    for index, rule in enumerate(rules.rules):
        for place, deed in enumerate(rule.then):
            path: Path = ("rules", index, "then", place)
            if isinstance(deed, Hold):
                yield from note((*path, "hold"), rule.name, rule.while_, deed, deed.hold.keys)
            elif isinstance(deed, Toggle):
                yield from note((*path, "toggle"), rule.name, rule.while_, deed, deed.toggle.keys)
    for index, level in enumerate(rules.levels):
        for place, level_deed in enumerate(level.then):
            if isinstance(level_deed, Duty):
                path = ("levels", index, "then", place, "duty")
                name = level.name or level.level
                yield from note(path, name, level.while_, level_deed, level_deed.duty.keys)


def _switches(rules: RuleFile) -> Iterator[tuple[Rule, str]]:
    for rule in rules.rules:
        for deed in rule.then:
            if isinstance(deed, SwitchMode):
                yield rule, deed.mode


def _modes(rules: RuleFile) -> Iterator[Conflict]:
    """Modes that are never on, and modes that cannot be left."""
    if not rules.modes:
        return
    leave: dict[str, set[str]] = {mode: set() for mode in rules.modes}
    for rule, target in _switches(rules):
        for mode in rule.while_ or rules.modes:
            if mode != target:
                leave[mode].add(target)
    reached = {rules.modes[0]}
    waiting = [rules.modes[0]]
    while waiting:
        for mode in leave[waiting.pop()] - reached:
            reached.add(mode)
            waiting.append(mode)
    for index, mode in enumerate(rules.modes):
        if mode not in reached:
            yield Conflict(
                ("modes", index),
                f"the mode `{mode}` is never switched to",
                f"add a rule with `then: {{mode: {mode}}}`",
            )
        elif len(rules.modes) > 1 and not leave[mode]:
            yield Conflict(
                ("modes", index),
                f"the mode `{mode}` cannot be left: no rule that is on in it switches to another",
                f"add a rule with `while: {mode}` that switches, or one without `while`",
            )
    for index, rule in enumerate(rules.rules):
        if rule.while_ and not set(rule.while_) & reached:
            yield Conflict(
                ("rules", index, "while"),
                f"`{rule.name}` can never fire: nothing switches to {' or '.join(rule.while_)}",
                "add a rule that switches there",
                "error",
            )


def _never(rules: RuleFile) -> Iterator[Conflict]:
    """Rules whose condition cannot come true."""
    named = {spec.name or spec.detector: spec.detector for spec in rules.detectors}
    for index, rule in enumerate(rules.rules):
        when: Path = ("rules", index, "when")
        condition = rule.when
        if isinstance(condition, EventCondition) and condition.times is not None:
            assert condition.within is not None
            least_s = (condition.times - 1) * _LEAST_APART_S
            if condition.within < least_s:
                yield Conflict(
                    (*when, "within"),
                    f"`{rule.name}` will hardly ever fire: {condition.times} events need {least_s:g} s",
                    "give it more time",
                )
        for below, wanted in filters_of(condition):
            yield from _silent(rules, named, (*when, *below), rule, wanted)


def _silent(
    rules: RuleFile, named: dict[str, str], path: Path, rule: Rule, wanted: EventFilter
) -> Iterator[Conflict]:
    """No detector that could be heard gives such an event."""
    if wanted.event.startswith("signal-"):
        return
    givers = [name for name, type_ in DETECTORS.items() if wanted.event in type_.tells]
    detector = named.get(wanted.from_ or "", wanted.from_ if wanted.from_ in DETECTORS else None)
    if detector is not None and detector in DETECTORS and detector not in givers:
        gives = ", ".join(event.kind for event in DETECTORS[detector].events)
        yield Conflict(
            (*path, "from"),
            f"`{rule.name}` can never fire: `{wanted.from_}` gives {gives}, not {wanted.event}",
            "name another detector, or leave `from` out",
            "error",
        )
        return
    sources = rules.all_sources.values()
    kinds = {channel.kind for source in sources for channel in source.channels}
    if not givers or not sources or None in kinds or any(not source.channels for source in sources):
        return
    needed = {kind for name in givers for kind in DETECTORS[name].kinds}
    if not kinds & needed:
        yield Conflict(
            (*path, "event"),
            f"`{rule.name}` cannot fire with this source: a {wanted.event} needs a channel of kind "
            f"{' or '.join(sorted(needed))}",
            "add such a channel",
        )


def _within_filter(narrow: EventFilter, wide: EventFilter) -> bool:
    """Does every event that fits ``narrow`` fit ``wide``?"""
    if narrow.event != wide.event or narrow.edge != wide.edge:
        return False
    if wide.from_ is not None and wide.from_ != narrow.from_:
        return False
    if wide.deliberate is not None and wide.deliberate != narrow.deliberate:
        return False
    if wide.stronger_than is not None and (narrow.stronger_than or float("-inf")) < wide.stronger_than:
        return False
    return all(
        name in narrow.values and _within_bounds(narrow.values[name], bounds)
        for name, bounds in wide.values.items()
    )


def _within_bounds(narrow: Bounds, wide: Bounds) -> bool:
    above = wide.above is None or (narrow.above is not None and narrow.above >= wide.above)
    return above and (wide.below is None or (narrow.below is not None and narrow.below <= wide.below))


def _implies(narrow: Condition, wide: Condition) -> bool:
    """Whenever ``narrow`` comes true, has ``wide`` come true as well, at the latest at that moment?"""
    if narrow == wide:
        return True
    if not isinstance(narrow, EventCondition) or not isinstance(wide, EventCondition):
        return False
    if not _within_filter(narrow, wide) or narrow.times != wide.times:
        return False
    if (wide.within or 0) < (narrow.within or 0):
        return False
    return (wide.lasting or 0) <= (narrow.lasting or 0) and (wide.release or 0) == (narrow.release or 0)


def _always_on(narrow: Rule, wide: Rule) -> bool:
    """Is ``wide`` on and unlimited whenever ``narrow`` is on?"""
    modes = not wide.while_ or bool(narrow.while_ and set(narrow.while_) <= set(wide.while_))
    waits = narrow.wait == wide.wait
    same_pause = ("resume" in narrow.then) == ("resume" in wide.then)
    return modes and waits and same_pause and wide.at_most is None and wide.cooldown <= narrow.cooldown


def _shadowed(rules: RuleFile) -> Iterator[Conflict]:
    """Rules that another one makes useless: it does the same no later, or switches the rule off first."""
    groups: dict[str, list[int]] = {}
    stoppers: dict[str, list[int]] = {}
    for index, rule in enumerate(rules.rules):
        kind = getattr(rule.when, "event", None) or type(rule.when).__name__
        group = groups.setdefault(f"{kind} {rule.then!r} {rule.window!r}", [])
        for other_index in group[:_COMPARED]:
            other = rules.rules[other_index]
            for narrow, wide, place in ((rule, other, index), (other, rule, other_index)):
                if _implies(narrow.when, wide.when) and _always_on(narrow, wide):
                    yield Conflict(
                        ("rules", place),
                        f"`{narrow.name}` adds nothing: whenever it fires, `{wide.name}` has done the same",
                        "remove one of them, or tell them apart",
                    )
                    break
        group.append(index)
        for other_index in stoppers.get(kind, [])[:_COMPARED]:
            other = rules.rules[other_index]
            if _implies(rule.when, other.when) and _always_on(rule, other) and _stops(other, rule):
                yield Conflict(
                    ("rules", index),
                    f"`{rule.name}` can never fire: `{other.name}` above it comes first and switches it off",
                    "put it above, or tell the two apart",
                    "error",
                )
                break
        if rule.then[0] == "pause" or isinstance(rule.then[0], SwitchMode):
            stoppers.setdefault(kind, []).append(index)


def _stops(other: Rule, rule: Rule) -> bool:
    """Is ``rule`` off after what ``other`` does first?"""
    first = other.then[0]
    if first == "pause":
        return True
    return isinstance(first, SwitchMode) and bool(rule.while_) and first.mode not in (rule.while_ or ())


def _unsettled(rules: RuleFile) -> Iterator[Conflict]:
    """A rule fires on the first step of another's sequence: both may fire, and `wait` would settle it."""
    sequences: dict[str, list[Rule]] = {}
    for rule in rules.rules:
        if isinstance(rule.when, SequenceCondition):
            sequences.setdefault(rule.when.sequence[0].event, []).append(rule)
    if not sequences:
        return
    for index, rule in enumerate(rules.rules):
        if not isinstance(rule.when, EventCondition) or rule.when.times is not None or rule.wait is not None:
            continue
        for other in sequences.get(rule.when.event, [])[:_COMPARED]:
            assert isinstance(other.when, SequenceCondition)
            first = other.when.sequence[0]
            alike = _within_filter(first, rule.when) or _within_filter(rule.when, first)
            if alike and rule.when.lasting is None and _meet(rule.while_, other.while_):
                yield Conflict(
                    ("rules", index),
                    f"`{rule.name}` also fires on the first step of `{other.name}`",
                    "say `wait: true` to wait for the sequence first, or `wait: false` if both are meant",
                )
                break


def _pauses(rules: RuleFile) -> Iterator[Conflict]:
    """A rule pauses and none resumes."""
    resumes = any("resume" in rule.then for rule in rules.rules)
    for index, rule in enumerate(rules.rules):
        if "pause" in rule.then and not resumes:
            yield Conflict(
                ("rules", index, "then"),
                f"`{rule.name}` pauses and no rule resumes: only the resume command or the page can",
                "add a rule with `then: resume`",
            )
            return

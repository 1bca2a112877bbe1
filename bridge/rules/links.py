"""What a rule file's parts say about each other: outputs, modes, detectors, channels and values by name."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, TypeAlias

from bridge.detectors import DETECTORS, EVENT_TYPES
from bridge.rules.conditions import (
    AbsenceCondition,
    EventCondition,
    EventFilter,
    LevelCondition,
    SequenceCondition,
    TogetherCondition,
)
from bridge.rules.deeds import (
    Duty,
    Hold,
    Mouse,
    MqttPublish,
    Note,
    OscSend,
    Press,
    Publish,
    Repeat,
    Send,
    SwitchMode,
    Toggle,
    TypedArgument,
    TypeText,
    Wait,
)
from bridge.rules.schema import LevelRule, OutputSpec, Rule, RuleFile
from bridge.rules.templates import COMMON_NAMES, parse
from bridge.rules.words import suggestion

Path: TypeAlias = tuple[str | int, ...]
Report: TypeAlias = Callable[[Path, str, str], None]


def fitting(deed: Any) -> tuple[str, str]:
    """The type of output that a deed is for, and the word that names the deed; empty when it needs none."""
    if isinstance(deed, Press | Hold | Toggle | TypeText | Repeat | Mouse | Duty):
        return "keystrokes", next(iter(type(deed).model_fields.keys() - {"output"}))
    if isinstance(deed, Send):
        return "osc", "send"
    if isinstance(deed, Publish):
        return "mqtt", "publish"
    if isinstance(deed, Note):
        return "log", "note"
    return "", ""


def named_output(deed: Any) -> str | None:
    """The output that the deed asks for by name."""
    if isinstance(deed, Send):
        return deed.send.output
    if isinstance(deed, Publish):
        return deed.publish.output
    name: str | None = getattr(deed, "output", None)
    return name


def output_of(deed: Any, outputs: Mapping[str, OutputSpec]) -> str:
    """Where a deed goes: the output it names, else the only one of the type it is for. Empty when unclear."""
    type_, _ = fitting(deed)
    named = named_output(deed)
    if named is not None:
        return named
    found = [name for name, spec in outputs.items() if spec.type == type_]
    return found[0] if len(found) == 1 else ""


def filters_of(condition: Any) -> Iterator[tuple[Path, EventFilter]]:
    """The event filters in a condition, each with its path below `when`."""
    if isinstance(condition, EventCondition):
        yield (), condition
    elif isinstance(condition, SequenceCondition):
        for index, step in enumerate(condition.sequence):
            yield ("sequence", index), step
    elif isinstance(condition, TogetherCondition):
        for index, part in enumerate(condition.together):
            yield ("together", index), part
    elif isinstance(condition, AbsenceCondition):
        yield ("no",), condition.no


@dataclass(frozen=True, slots=True)
class Broken:
    """What has errors of its own that are reported already: sections, and names of outputs."""

    sections: frozenset[str] = frozenset()
    outputs: frozenset[str] = frozenset()


def check_links(rules: RuleFile, report: Report, broken: Broken) -> None:
    """Report every name that leads nowhere and every deed that fits no output."""
    checker = _Checker(rules, report, broken)
    checker.detectors()
    checker.rule_names()
    for index, rule in enumerate(rules.rules):
        checker.rule(("rules", index), rule)
    for index, level in enumerate(rules.levels):
        checker.level(("levels", index), level)


class _Checker:
    def __init__(self, rules: RuleFile, report: Report, broken: Broken) -> None:
        self._rules = rules
        self._report = report
        self._broken = broken.outputs
        self._unsure = broken.sections
        self._by_type: dict[str, list[str]] = {}
        for name, spec in rules.outputs.items():
            self._by_type.setdefault(spec.type, []).append(name)
        unsure = self._unsure & {"source", "sources", "detectors"}
        self._origins = None if unsure else _origins(rules)

    def rule_names(self) -> None:
        seen: dict[str, int] = {}
        for index, rule in enumerate(self._rules.rules):
            if rule.name in seen:
                self._report(
                    ("rules", index, "name"), f"two rules are called `{rule.name}`", "give each its own name"
                )
            seen.setdefault(rule.name, index)

    def detectors(self) -> None:
        names: set[str] = set()
        for index, spec in enumerate(self._rules.detectors):
            path: Path = ("detectors", index)
            name = spec.name or spec.detector
            if name in names:
                self._report(path, f"two detectors are called `{name}`", "give each its own `name`")
            names.add(name)
            if spec.detector not in DETECTORS:
                what = f"there is no detector `{spec.detector}`"
                self._report((*path, "detector"), what, suggestion(spec.detector, DETECTORS))
                continue
            settings = tuple(getattr(DETECTORS[spec.detector].settings, "__dataclass_fields__", ()))
            for setting in spec.settings:
                if settings and setting not in settings:
                    what = f"the detector {spec.detector} has no setting `{setting[:40]}`"
                    self._report((*path, "settings", setting), what, suggestion(setting, settings))
            self._check_source(path, spec.source)
            self._check_channels(path, spec)

    def _check_source(self, path: Path, source: str | None) -> None:
        if source is not None and source not in self._rules.sources and "sources" not in self._unsure:
            what = f"there is no source `{source}`"
            mend = suggestion(source, self._rules.sources) or "name sources under `sources`"
            self._report((*path, "source"), what, mend)

    def _check_channels(self, path: Path, spec: Any) -> None:
        known: set[str] = set()
        for name, source in self._rules.all_sources.items():
            if spec.source is None or name == spec.source:
                if not source.channels:
                    return  # the source itself says what it carries
                known.update(channel.name for channel in source.channels)
        if not self._rules.all_sources or self._unsure & {"source", "sources"}:
            return
        for index, channel in enumerate(spec.channel_names):
            if channel not in known:
                where = "channel" if spec.channel is not None else "channels"
                what = f"no source has a channel `{channel}`"
                self._report((*path, where, index), what, suggestion(channel, known))

    def rule(self, path: Path, rule: Rule) -> None:
        self._modes(path, rule.while_)
        for below, wanted in filters_of(rule.when):
            self._origin((*path, "when", *below, "from"), wanted.from_)
        if isinstance(rule.when, LevelCondition):
            self._origin((*path, "when", "from"), rule.when.from_)
        names = _names_for(rule.when)
        mends = _at_the_end(rule.when)
        self._order(path, rule)
        for index, deed in enumerate(rule.then):
            self._deed((*path, "then", index), deed, names, mends)
            self._ends((*path, "then", index), deed, rule)
            if isinstance(deed, Wait) and index == len(rule.then) - 1:
                self._report(
                    (*path, "then", index), "nothing comes after this wait", "put it between two things"
                )
        for index, deed in enumerate(rule.safe or ()):
            self._deed((*path, "safe", index), deed, _SAFE_NAMES)

    def _order(self, path: Path, rule: Rule) -> None:
        """What comes after `pause`, and before `resume`, would be sent while paused: never."""
        for index, deed in enumerate(rule.then):
            if deed == "resume" and index > 0:
                self._report((*path, "then", index), "nothing is sent before `resume`", "put it first")
            if deed == "pause" and index < len(rule.then) - 1:
                self._report((*path, "then", index), "nothing is sent after `pause`", "put it last")

    def _ends(self, path: Path, deed: Any, rule: Rule) -> None:
        """Holding needs an end: a state, a level, or a time."""
        word = "hold" if isinstance(deed, Hold) else "repeat" if isinstance(deed, Repeat) else ""
        if not word or has_end(rule.when) or (isinstance(deed, Hold) and deed.hold.for_ is not None):
            return
        mend = "use `press`, or `{hold: {keys: …, for: 500 ms}}`" if word == "hold" else "use `press`"
        self._report((*path, word), f"`{word}` needs an event that ends, and this one is over at once", mend)

    def level(self, path: Path, level: LevelRule) -> None:
        self._modes(path, level.while_)
        self._origin((*path, "from"), level.from_)
        names = frozenset({*COMMON_NAMES, "value"}) - {"onset", "decided", "confidence", "edge"}
        for index, deed in enumerate(level.then):
            self._deed((*path, "then", index), deed, names)
        for index, deed in enumerate(level.safe or ()):
            self._deed((*path, "safe", index), deed, _SAFE_NAMES)

    def _modes(self, path: Path, wanted: Iterable[str] | None) -> None:
        for index, mode in enumerate(wanted or ()):
            self._mode((*path, "while", index), mode)

    def _mode(self, path: Path, mode: str) -> None:
        if mode not in self._rules.modes and "modes" not in self._unsure:
            mend = suggestion(mode, self._rules.modes) or f"name it at the top: `modes: [start, {mode}]`"
            self._report(path, f"there is no mode `{mode}`", mend)

    def _origin(self, path: Path, origin: str | None) -> None:
        if origin is not None and self._origins is not None and origin not in self._origins:
            what = f"there is no detector or channel `{origin}`"
            self._report(path, what, suggestion(origin, self._origins))

    def _deed(
        self, path: Path, deed: Any, names: frozenset[str], mends: Mapping[str, str] = MappingProxyType({})
    ) -> None:
        if isinstance(deed, SwitchMode):
            self._mode((*path, "mode"), deed.mode)
        for below, text in _texts(deed):
            for name in sorted(parse(text).names - names):
                what = f"there is no value `{name}` with what this rule waits for"
                self._report((*path, *below), what, mends.get(name) or suggestion(name, names))
        type_, word = fitting(deed)
        if not type_:
            return
        named = named_output(deed)
        where: Path = (*path, word) if isinstance(deed, Send | Publish) else path
        if named is not None:
            self._named(where, named, type_, word)
            return
        found = self._by_type.get(type_, [])
        if self._broken or "outputs" in self._unsure:
            return
        if not found:
            mend = f"add one: `outputs: {{{_USUAL_NAME[type_]}: {{type: {type_}…}}}}`"
            self._report((*path, word), f"`{word}` needs an output of type {type_}, and there is none", mend)
        elif len(found) > 1:
            mend = f"add `output: {found[0]}` (or {', '.join(found[1:])})"
            self._report((*path, word), f"several outputs fit `{word}`", mend)

    def _named(self, path: Path, named: str, type_: str, word: str) -> None:
        if named in self._broken or "outputs" in self._unsure:
            return
        spec = self._rules.outputs.get(named)
        if spec is None:
            mend = suggestion(named, {*self._rules.outputs, *self._broken})
            self._report(
                (*path, "output"), f"there is no output `{named}`", mend or "define it under `outputs`"
            )
        elif spec.type not in (type_, "log"):
            fits = self._by_type.get(type_, [])
            mend = f"name {' or '.join(fits)}" if fits else f"define an output of type {type_}"
            self._report(
                (*path, "output"), f"`{word}` does not fit `{named}`, which is of type {spec.type}", mend
            )


_SAFE_NAMES = frozenset({"rule", "mode", "time"})
_USUAL_NAME = {"keystrokes": "keys", "osc": "sound", "mqtt": "lights", "log": "notes"}


def has_end(condition: Any) -> bool:
    """Does what the rule waits for go on for a while and end?"""
    if isinstance(condition, LevelCondition):
        return True
    return (
        isinstance(condition, EventCondition)
        and EVENT_TYPES[condition.event].lasts
        and condition.edge != "end"
        and condition.times is None
    )


def _names_for(condition: Any) -> frozenset[str]:
    """The names that a text may use: of the event that makes the rule act, and of what every event has."""
    common = frozenset(COMMON_NAMES)
    if isinstance(condition, LevelCondition):
        return common - {"onset", "decided", "confidence", "edge"} | {"value"}
    if isinstance(condition, AbsenceCondition):
        return _SAFE_NAMES
    filters = [wanted for _, wanted in filters_of(condition)]
    if isinstance(condition, SequenceCondition):
        filters = filters[-1:]
    # Of events that come together any may be the last.
    return common | frozenset.intersection(*(frozenset(wanted.measured) for wanted in filters))


def _at_the_end(condition: Any) -> dict[str, str]:
    """What to write for values that come with the end of what a rule waits for, not yet with its start."""
    if not isinstance(condition, EventCondition):
        return {}
    later = set(EVENT_TYPES[condition.event].values) - set(condition.measured)
    return {name: condition.instead_of(name) for name in later}


def _origins(rules: RuleFile) -> frozenset[str] | None:
    """Names that `from` may use; None when a source does not say its channels, so that anything may come."""
    names = {spec.name or spec.detector for spec in rules.detectors} | set(DETECTORS)
    sources = rules.all_sources.values()
    if not sources or any(not source.channels for source in sources):
        return None
    for source in sources:
        channels = [channel.name for channel in source.channels]
        names.update(channels)
        names.update(f"{detector}-{channel}" for detector in DETECTORS for channel in channels)
    return frozenset(names)


def _texts(deed: Any) -> Iterator[tuple[Path, str]]:
    """The templates of a deed, each with its path below it."""
    if isinstance(deed, TypeText):
        yield ("type",), deed.type
    elif isinstance(deed, Note):
        yield ("note",), deed.note
    elif isinstance(deed, Publish):
        publish: MqttPublish = deed.publish
        if publish.payload is not None:
            yield ("publish", "payload"), publish.payload
    elif isinstance(deed, Send):
        send: OscSend = deed.send
        for index, message in enumerate(send.bundle or ()):
            for place, text in _argument_texts(message.arguments):
                yield ("send", "bundle", index, "arguments", place), text
        for place, text in _argument_texts(send.arguments):
            yield ("send", "arguments", place), text
    elif isinstance(deed, Mouse):
        for part in ("move", "scroll"):
            moved = getattr(deed.mouse, part)
            for axis in ("x", "y"):
                value = getattr(moved, axis, None)
                if isinstance(value, str):
                    yield ("mouse", part, axis), value


def _argument_texts(arguments: Iterable[Any]) -> Iterator[tuple[int, str]]:
    for index, argument in enumerate(arguments):
        if isinstance(argument, TypedArgument):
            yield index, argument.float or argument.int or argument.string or ""
        elif isinstance(argument, str):
            yield index, argument

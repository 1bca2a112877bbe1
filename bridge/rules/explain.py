"""Each rule in one plain sentence, from the same models that the engine works by."""

from __future__ import annotations

from bridge.detectors import EVENT_TYPES
from bridge.rules.conditions import (
    AbsenceCondition,
    Condition,
    EventCondition,
    EventFilter,
    LevelCondition,
    SequenceCondition,
)
from bridge.rules.deeds import (
    DutyKeys,
    HeldKeys,
    Hold,
    Mouse,
    Move,
    Note,
    OscSend,
    Press,
    Publish,
    Repeat,
    Send,
    SwitchMode,
    Toggle,
    TypeText,
    Wait,
)
from bridge.rules.links import filters_of
from bridge.rules.schema import COOLDOWN_S, LevelRule, Rule, RuleFile
from bridge.rules.waiting import Waiting, waiting

# What a rule that asks whether a blink was meant relies on.
NEEDS_PROFILE = (
    "it needs a profile (calibrate --detector blink): without one, a blink whose height leaves open whether "
    "it was meant does nothing"
)


def needs_profile(rules: RuleFile) -> list[str]:
    """Names of the rules that ask whether a blink was deliberate."""
    return [rule.name for rule in rules.rules if _asks_whether_meant(rule)]


def _asks_whether_meant(rule: Rule) -> bool:
    return any(one.deliberate is not None for _, one in filters_of(rule.when))


def sentences(rules: RuleFile) -> list[tuple[str, str]]:
    """For each rule, then each level: the name that its actions carry, and what it does."""
    told = [(rule.name, rule_sentence(rule, waiting(rule, rules))) for rule in rules.rules]
    told.extend((level.name or level.level, level_sentence(level)) for level in rules.levels)
    return told


def rule_sentence(rule: Rule, waits: Waiting | None = None) -> str:
    """For example: On a deliberate blink, 2 times within 700 ms: press PageDown."""
    parts = [f"{_condition(rule.when)}: {_list([_deed(deed) for deed in rule.then])}"]
    if rule.while_:
        parts.append(f"only in mode {' or '.join(rule.while_)}")
    if rule.window is not None:
        parts.append(f"only while a window called “{rule.window}” has the focus")
    if waits is not None:
        larger = " or ".join(f"“{name}”" for name in waits.rules)
        parts.append(
            f"it waits whether {larger} follows, so it comes {duration(waits.after_s)} after its first event"
        )
    elif rule.wait is False:
        parts.append("without waiting for larger patterns")
    if rule.cooldown != COOLDOWN_S:
        parts.append(f"then deaf for {duration(rule.cooldown)}" if rule.cooldown else "with no pause between")
    if rule.at_most is not None:
        parts.append(f"at most {rule.at_most.times} times within {duration(rule.at_most.within)}")
    if _asks_whether_meant(rule):
        parts.append(NEEDS_PROFILE)
    if rule.safe:
        parts.append(f"on pause, signal loss and exit: {_list([_deed(deed) for deed in rule.safe])}")
    return "; ".join(parts) + "."


def level_sentence(level: LevelRule) -> str:
    """For example: Every 50 ms, with contraction-level: send /squeeze."""
    what = f"{level.level}{_from(level.from_)}"
    if level.range is not None:
        low, high = level.to or (0.0, 1.0)
        what += f" from {level.range[0]:g}–{level.range[1]:g} turned into {low:g}–{high:g}"
        if level.curve != 1:
            what += f" by the power {level.curve:g}"
    if level.dead_band:
        what += f", nothing below {level.dead_band:g}"
    if level.smoothing is not None:
        what += f", smoothed over {duration(level.smoothing)}"
    text = f"Every {duration(level.every)}, with {what}: {_list([_deed(deed) for deed in level.then])}"
    if level.while_:
        text += f"; only in mode {' or '.join(level.while_)}"
    if level.window is not None:
        text += f"; only while a window called “{level.window}” has the focus"
    if level.safe:
        text += f"; on pause, signal loss and exit: {_list([_deed(deed) for deed in level.safe])}"
    return text + "."


def duration(seconds: float) -> str:
    """In the unit that people would use: 300 ms, 2 s, 5 min."""
    if seconds < 1:
        return f"{seconds * 1000:g} ms"
    return f"{seconds / 60:g} min" if seconds >= 60 and seconds % 60 == 0 else f"{seconds:g} s"


def _list(words: list[str]) -> str:
    return words[0] if len(words) == 1 else ", then ".join(words)


def _condition(when: Condition) -> str:
    match when:
        case EventCondition():
            return _event_condition(when)
        case SequenceCondition():
            steps = ", then ".join(_event(step) for step in when.sequence)
            return f"On {steps}, within {duration(when.within)}"
        case LevelCondition():
            side = "rises above" if when.above is not None else "falls below"
            text = f"When {when.level}{_from(when.from_)} {side} {when.threshold:g} (over at {when.back:g})"
            return text + _timing(when.lasting, when.release)
        case AbsenceCondition():
            return f"When {_event(when.no)} has not come for {duration(when.for_)}"
        case _:
            both = " and ".join(_event(step) for step in when.together)
            return f"On {both} together, within {duration(when.within)}"


def _event_condition(when: EventCondition) -> str:
    if when.times is None or when.within is None:
        return f"On {_event(when)}{_timing(when.lasting, when.release)}"
    return f"On {_event(when)}, {when.times} times within {duration(when.within)}"


def _timing(lasting: float | None, release: float | None) -> str:
    text = f" that lasts {duration(lasting)}" if lasting is not None else ""
    return text + (f", over after {duration(release)} without it" if release is not None else "")


def _event(one: EventFilter) -> str:
    text = EVENT_TYPES[one.event].noun
    if one.deliberate is not None:
        text = "a deliberate blink" if one.deliberate else "a spontaneous blink"
    if one.edge is not None:
        text = f"the {one.edge} of {text}"
    text += _from(one.from_)
    if one.stronger_than is not None:
        text += f" stronger than {one.stronger_than:g}"
    for name, bounds in one.values.items():
        sides = (("above", bounds.above), ("below", bounds.below))
        limits = " and ".join(f"{word} {limit:g}" for word, limit in sides if limit is not None)
        text += f" with {name} {limits}"
    return text


def _from(origin: str | None) -> str:
    return f" from {origin}" if origin is not None else ""


def _keys(keys: tuple[str, ...]) -> str:
    return "+".join(keys)


def _held(held: HeldKeys) -> str:
    text = _keys(held.keys)
    if held.for_ is not None:
        text += f" for {duration(held.for_)}"
    return text + (f" (for {duration(held.limit)} at most)" if held.limit is not None else "")


def _deed(deed: object) -> str:
    match deed:
        case Press():
            text = f"press {_keys(deed.press)}"
        case Hold():
            text = f"hold {_held(deed.hold)} until it ends"
        case Toggle():
            text = f"press {_held(deed.toggle)} down, the next time let it up"
        case TypeText():
            text = f"type “{deed.type}”"
        case Repeat():
            again = deed.repeat
            text = (
                f"press {_keys(again.keys)}, after {duration(again.delay)} again every "
                f"{duration(again.interval)} until it ends"
            )
        case Mouse():
            text = _mouse(deed)
        case Send():
            text = _send(deed.send)
        case Publish():
            said = deed.publish
            payload = "the event" if said.payload is None else f"“{said.payload}”"
            kept = ", kept at the broker" if said.retain else ""
            topic = said.topic or "the output's own topic"
            text = f"publish {payload} on {topic}{kept}{_on(said.output)}"
        case Note():
            text = f"note “{deed.note}” in the log"
        case SwitchMode():
            text = f"switch to mode {deed.mode}"
        case Wait():
            text = f"wait {duration(deed.wait)}"
        case "pause":
            text = "pause all rules"
        case "resume":
            text = "let all rules go on, if a rule paused them"
        case "disarm":
            text = "disarm keystrokes until a person arms them"
        case _:
            duty: DutyKeys = deed.duty  # type: ignore[attr-defined]
            text = f"hold {_keys(duty.keys)} for that share of every {duration(duty.period)}"
    return text + _on(getattr(deed, "output", None))


def _on(output: str | None) -> str:
    return f" by {output}" if output is not None else ""


def _mouse(deed: Mouse) -> str:
    said = deed.mouse
    parts = []
    if said.move is not None:
        parts.append(f"move the mouse by {_pair(said.move)} pixels")
    if said.click is not None:
        parts.append(f"click the {said.click} button" + (f" {said.times} times" if said.times > 1 else ""))
    if said.scroll is not None:
        parts.append(f"scroll by {_pair(said.scroll)} notches")
    return ", ".join(parts)


def _pair(move: Move) -> str:
    return ", ".join(f"{value:g}" if isinstance(value, float) else str(value) for value in (move.x, move.y))


def _send(send: OscSend) -> str:
    if send.bundle is not None:
        return f"send {', '.join(message.address for message in send.bundle)} as one bundle{_on(send.output)}"
    values = " ".join(str(value) for value in send.arguments)
    return f"send {send.address} {values}".rstrip() + _on(send.output)

"""What happened, for the page: events, and the actions they caused, each with a number."""

from __future__ import annotations

import json
from collections import Counter, deque
from collections.abc import Sequence
from typing import Any

from bridge.rules.actions import (
    Act,
    Action,
    Disarm,
    KeyDown,
    KeyUp,
    Mouse,
    Note,
    Press,
    Publish,
    SendBundle,
    SendOsc,
    SetMode,
    SetPaused,
    TypeText,
)
from bridge.signals.types import Detection, Event, Level

_KEEP = 3000
_LEVEL_EVERY_S = 0.5  # a level rule fires many times a second: the page is told this often


class Journal:
    """Entries are plain dictionaries with a growing ``id``; old ones fall out."""

    def __init__(self) -> None:
        self.entries: deque[dict[str, Any]] = deque(maxlen=_KEEP)
        self.levels: dict[tuple[str, str, str], Level] = {}
        self.fired: Counter[str] = Counter()
        self.fired_s: dict[str, float] = {}
        self.events: Counter[str] = Counter()
        self.actions: Counter[str] = Counter()
        self.last = 0
        self._causes: deque[tuple[Event, int]] = deque(maxlen=64)
        self._level_told_s: dict[str, float] = {}

    def add(self, detections: Sequence[Detection], actions: Sequence[tuple[Action, str]]) -> None:
        """What one block led to; ``actions`` come with what became of each (sent, shown, paused …)."""
        for item in detections:
            if isinstance(item, Level):
                self.levels[item.kind, item.detector, item.channel] = item
            else:
                self.events[item.kind] += 1
                self._append({"is": "event", **item.to_json()})
                self._causes.append((item, self.last))
        for action, result in actions:
            self._add_action(action, result)

    def _add_action(self, action: Action, result: str) -> None:
        if not isinstance(action.act, KeyUp):  # letting go ends what fired before
            self.fired[action.rule] += 1
            self.fired_s[action.rule] = action.time
        self.actions[result] += 1
        if isinstance(action.cause, Level):
            told_s = self._level_told_s.get(action.rule)
            if told_s is not None and 0 <= action.time - told_s < _LEVEL_EVERY_S:
                return
            self._level_told_s[action.rule] = action.time
        self._append(
            {
                "is": "action",
                "time": action.time,
                "rule": action.rule,
                "output": action.output,
                "words": in_words(action.act),
                "result": result,
                "level": isinstance(action.cause, Level),
                "cause": self._number_of(action.cause),
            }
        )

    def _number_of(self, cause: Event | Level | None) -> int | None:
        if not isinstance(cause, Event):
            return None
        return next((number for event, number in reversed(self._causes) if event == cause), None)

    def _append(self, entry: dict[str, Any]) -> None:
        self.last += 1
        entry["id"] = self.last
        self.entries.append(entry)

    def since(self, number: int, most: int = 400) -> list[dict[str, Any]]:
        """The oldest ``most`` entries after ``number`` that are still kept."""
        if not self.entries or number >= self.last:
            return []
        skip = max(0, number - self.entries[0]["id"] + 1)
        return [self.entries[i] for i in range(skip, min(len(self.entries), skip + most))]


def in_words(act: Act) -> str:
    """What an action does, short enough for a label."""
    match act:
        case Press(keys):
            return f"press {'+'.join(keys)}"
        case KeyDown(keys):
            return f"hold {'+'.join(keys)}"
        case KeyUp(keys):
            return f"let go of {'+'.join(keys)}"
        case TypeText(text):
            return f"type “{_short(text)}”"
        case SendOsc(address, arguments):
            said = " ".join(f"{part:.4g}" if isinstance(part, float) else str(part) for part in arguments)
            return _short(f"{address} {said}".rstrip())
        case Publish(topic, payload):
            shown = topic or "publish"
            return _short(shown if payload is None else f"{shown}: {payload}")
        case SendBundle(messages):
            return _short(" + ".join(in_words(message) for message in messages))
        case Note(text):
            return f"note “{_short(text)}”"
        case SetMode(mode):
            return f"switch to mode {_short(mode)}"
        case SetPaused(paused):
            return "pause" if paused else "resume"
        case Disarm():
            return "disarm"
        case Mouse():
            return "pointer " + json.dumps(act.to_json(), ensure_ascii=False).strip("{}").replace('"', "")


def _short(text: str, most: int = 60) -> str:
    return text if len(text) <= most else text[: most - 1] + "…"

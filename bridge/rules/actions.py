"""What an output is told to do. Frozen, printable as JSON, free of anything executable."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, TypeAlias

from bridge.signals.types import Event, Level


@dataclass(frozen=True, slots=True)
class Press:
    """Press and let go at once; several keys form a combination, pressed in order, let go in reverse."""

    keys: tuple[str, ...]

    def to_json(self) -> dict[str, Any]:
        return {"press": "+".join(self.keys)}


@dataclass(frozen=True, slots=True)
class KeyDown:
    """Keys go down and stay down until a KeyUp with the same keys, at the latest after ``limit_s``."""

    keys: tuple[str, ...]
    limit_s: float

    def to_json(self) -> dict[str, Any]:
        return {"down": "+".join(self.keys)}


@dataclass(frozen=True, slots=True)
class KeyUp:
    keys: tuple[str, ...]

    def to_json(self) -> dict[str, Any]:
        return {"up": "+".join(self.keys)}


@dataclass(frozen=True, slots=True)
class TypeText:
    text: str

    def to_json(self) -> dict[str, Any]:
        return {"type": self.text}


@dataclass(frozen=True, slots=True)
class Mouse:
    """Relative move in pixels, clicks of a button (``left``, ``middle``, ``right``), scroll in notches."""

    dx: int = 0
    dy: int = 0
    button: str = ""
    clicks: int = 0
    scroll_x: int = 0
    scroll_y: int = 0

    def to_json(self) -> dict[str, Any]:
        moved = {"x": self.dx, "y": self.dy} if self.dx or self.dy else None
        scrolled = {"x": self.scroll_x, "y": self.scroll_y} if self.scroll_x or self.scroll_y else None
        clicked = {"button": self.button, "times": self.clicks} if self.clicks else None
        return {
            key: value
            for key, value in (("move", moved), ("click", clicked), ("scroll", scrolled))
            if value is not None
        }


@dataclass(frozen=True, slots=True)
class SendOsc:
    """An OSC message; argument types follow OSC 1.0 (float f, int i, str s, bool T/F)."""

    address: str
    arguments: tuple[float | int | str | bool, ...]

    def to_json(self) -> dict[str, Any]:
        return {"send": {"address": self.address, "arguments": list(self.arguments)}}


@dataclass(frozen=True, slots=True)
class Publish:
    """An MQTT publication. ``payload`` None: the event itself as CloudEvents JSON, made by the output.

    ``topic`` None: the output's own for what caused it.
    """

    topic: str | None
    payload: str | None
    qos: int = 0
    retain: bool = False

    def to_json(self) -> dict[str, Any]:
        return {
            "publish": {"topic": self.topic, "payload": self.payload, "qos": self.qos, "retain": self.retain}
        }


@dataclass(frozen=True, slots=True)
class SendBundle:
    """OSC messages that belong together, sent as one OSC 1.0 bundle."""

    messages: tuple[SendOsc, ...]

    def to_json(self) -> dict[str, Any]:
        return {"bundle": [message.to_json()["send"] for message in self.messages]}


@dataclass(frozen=True, slots=True)
class Note:
    """A line for a log output."""

    text: str

    def to_json(self) -> dict[str, Any]:
        return {"note": self.text}


@dataclass(frozen=True, slots=True)
class SetMode:
    """The engine has switched to this mode; nothing to send (``Action.output`` is `rules`)."""

    mode: str

    def to_json(self) -> dict[str, Any]:
        return {"mode": self.mode}


@dataclass(frozen=True, slots=True)
class SetPaused:
    """A rule has paused or resumed all rules; the service follows (``Action.output`` is `rules`)."""

    paused: bool

    def to_json(self) -> dict[str, Any]:
        return {"paused": self.paused}


@dataclass(frozen=True, slots=True)
class Disarm:
    """A rule has disarmed the keystrokes; only a person arms them again (``Action.output`` is `rules`)."""

    def to_json(self) -> dict[str, Any]:
        return {"armed": False}


Act: TypeAlias = (
    Press
    | KeyDown
    | KeyUp
    | TypeText
    | Mouse
    | SendOsc
    | SendBundle
    | Publish
    | Note
    | SetMode
    | SetPaused
    | Disarm
)


@dataclass(frozen=True, slots=True)
class Action:
    """One thing for one output, with the rule that wants it and the event or level that caused it.

    ``time`` is sample time in seconds. ``safe`` marks a safe value: it is sent even while paused.
    ``window``: only while a window whose title contains this text has the focus.
    """

    time: float
    rule: str
    output: str
    act: Act
    cause: Event | Level | None = None
    safe: bool = False
    window: str = ""

    def to_json(self) -> dict[str, Any]:
        """A plain dictionary, one JSON line of ``rules try``."""
        return {"time": self.time, "rule": self.rule, "output": self.output, "action": self.act.to_json()}

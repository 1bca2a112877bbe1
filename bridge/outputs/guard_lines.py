"""What the daemon and the guard say to each other: one JSON object a line, checked field by field.

Commands carry the sender's time on a clock that all processes of a computer share and that sleep does not
stop, so that the guard can tell a command that waited in the pipe from a fresh one.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, field
from typing import Any, TypeAlias

LONGEST_LINE = 8192
LONGEST_TEXT = 1000
LONGEST_TITLE = 200
MOST_KEYS = 8
FARTHEST = 10_000  # pixels of one move
MOST_CLICKS = 3
MOST_NOTCHES = 50
PULSE_EVERY_S = 0.05
PULSE_LOST_S = 0.25
STALE_S = 0.5


@dataclass(frozen=True, slots=True)
class PressKeys:
    id: int
    at: float
    keys: tuple[str, ...]
    window: str = ""


@dataclass(frozen=True, slots=True)
class HoldKeys:
    id: int
    at: float
    keys: tuple[str, ...]
    limit_s: float
    window: str = ""


@dataclass(frozen=True, slots=True)
class LetGo:
    keys: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Write:
    id: int
    at: float
    text: str
    window: str = ""


@dataclass(frozen=True, slots=True)
class Point:
    """Mouse: a relative move in pixels, then clicks of a button, then notches of the wheel."""

    id: int
    at: float
    dx: int
    dy: int
    button: str
    clicks: int
    scroll_x: int
    scroll_y: int
    window: str = ""


@dataclass(frozen=True, slots=True)
class Pulse:
    """The daemon is alive. ``at`` counts, not the arrival: a pulse that waited in the pipe proves nothing."""

    n: int
    at: float


@dataclass(frozen=True, slots=True)
class Arm:
    armed: bool


@dataclass(frozen=True, slots=True)
class Release:
    """Let go of everything."""


@dataclass(frozen=True, slots=True)
class Free:
    """Send releases for keys that a guard before this one may have left down."""

    keys: tuple[str, ...]


Command: TypeAlias = PressKeys | HoldKeys | LetGo | Write | Point | Pulse | Arm | Release | Free
_COMMANDS: Mapping[str, type[Any]] = {
    "press": PressKeys,
    "hold": HoldKeys,
    "let-go": LetGo,
    "write": Write,
    "point": Point,
    "pulse": Pulse,
    "arm": Arm,
    "release": Release,
    "free": Free,
}
_WORDS = {kind: word for word, kind in _COMMANDS.items()}


class LineError(ValueError):
    """A line that is no command."""


def encode(command: Command) -> bytes:
    """A command as its line."""
    plain = {"do": _WORDS[type(command)], **asdict(command)}
    return json.dumps(plain, separators=(",", ":")).encode("ascii") + b"\n"


def _whole(least: int, most: int) -> Callable[[Any], int]:
    def check(value: Any) -> int:
        if type(value) is not int or not least <= value <= most:
            raise LineError(f"a whole number from {least} to {most} is needed")
        return value

    return check


def _seconds(value: Any) -> float:
    if type(value) not in (int, float) or not math.isfinite(value) or not 0 <= value < 1e12:
        raise LineError("seconds are needed")
    return float(value)


def _text(longest: int) -> Callable[[Any], str]:
    def check(value: Any) -> str:
        if type(value) is not str or len(value) > longest:
            raise LineError(f"a text of at most {longest} characters is needed")
        return value

    return check


def _keys(value: Any) -> tuple[str, ...]:
    if type(value) is not list or not 1 <= len(value) <= MOST_KEYS:
        raise LineError(f"one to {MOST_KEYS} keys are needed")
    return tuple(_text(32)(key) for key in value)


def _many_keys(value: Any) -> tuple[str, ...]:
    if type(value) is not list or len(value) > 256:
        raise LineError("a list of keys is needed")
    return tuple(_text(32)(key) for key in value)


def _truth(value: Any) -> bool:
    if type(value) is not bool:
        raise LineError("true or false is needed")
    return value


def _button(value: Any) -> str:
    if value not in ("", "left", "middle", "right") or type(value) is not str:
        raise LineError("left, middle or right is needed")
    return value


_CHECKS: Mapping[str, Callable[[Any], Any]] = {
    "id": _whole(0, 2**53),
    "n": _whole(0, 2**53),
    "at": _seconds,
    "limit_s": _seconds,
    "keys": _keys,
    "text": _text(LONGEST_TEXT),
    "window": _text(LONGEST_TITLE),
    "armed": _truth,
    "dx": _whole(-FARTHEST, FARTHEST),
    "dy": _whole(-FARTHEST, FARTHEST),
    "button": _button,
    "clicks": _whole(0, MOST_CLICKS),
    "scroll_x": _whole(-MOST_NOTCHES, MOST_NOTCHES),
    "scroll_y": _whole(-MOST_NOTCHES, MOST_NOTCHES),
}


def decode(line: bytes) -> Command:
    """The command of a line. Raises LineError for anything else; nothing else is ever raised."""
    if len(line) > LONGEST_LINE:
        raise LineError("the line is too long")
    try:
        plain = json.loads(line.decode("utf-8"))
    except (ValueError, RecursionError) as error:
        raise LineError("the line is not JSON") from error
    if type(plain) is not dict or type(plain.get("do")) is not str:
        raise LineError("the line is not a command")
    kind = _COMMANDS.get(plain.pop("do"))
    if kind is None:
        raise LineError("there is no such command")
    known = kind.__dataclass_fields__
    if set(plain) != set(known):
        raise LineError("the command's fields are not the right ones")
    checked = {}
    for name, value in plain.items():
        check = _many_keys if kind is Free else _CHECKS[name]
        checked[name] = check(value)
    command: Command = kind(**checked)
    return command


@dataclass(slots=True)
class Lines:
    """Bytes in, whole lines out; a line beyond the limit is thrown away, not kept."""

    _rest: bytearray = field(default_factory=bytearray)
    _skipping: bool = False

    def feed(self, data: bytes) -> list[bytes]:
        """Whole lines without their ends; a line that was too long shows as one empty line."""
        found: list[bytes] = []
        *whole, rest = data.split(b"\n")
        for piece in whole:
            if self._skipping:
                found.append(b"")
            else:
                found.append(bytes(self._rest) + piece)
            self._rest.clear()
            self._skipping = False
        if not self._skipping:
            self._rest += rest
            if len(self._rest) > LONGEST_LINE:
                self._rest.clear()
                self._skipping = True
        return found


@dataclass(frozen=True, slots=True)
class Said:
    """The guard tells: ``ready``, ``failed``, ``refused``, ``released``, ``alive``, ``gone``, ``back``,
    ``pause-key``, ``unwatched`` (why the pause key is not noticed)."""

    what: str
    id: int = 0
    why: str = ""
    keys: tuple[str, ...] = ()

    def encode(self) -> bytes:
        plain = {key: value for key, value in asdict(self).items() if value or key == "what"}
        return json.dumps(plain, separators=(",", ":")).encode("ascii") + b"\n"


def decode_said(line: bytes) -> Said | None:
    """What the guard said; None for a line that makes no sense."""
    try:
        plain = json.loads(line)
        return Said(
            str(plain["what"]),
            int(plain.get("id", 0)),
            str(plain.get("why", "")),
            tuple(plain.get("keys", ())),
        )
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return None

"""Texts with places for values, such as `{rate:.0f}`: listed names, listed number formats, nothing else."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import isfinite
from typing import Final

from bridge.detectors import EVENT_TYPES
from bridge.rules.words import suggestion
from bridge.signals.types import Event, Level

LONGEST_TEXT: Final = 4096
WIDEST: Final = 20
MOST_DECIMALS: Final = 10

# What every event and level has, and what detectors measure.
COMMON_NAMES = (
    "kind",
    "edge",
    "channel",
    "detector",
    "rule",
    "mode",
    "time",
    "onset",
    "decided",
    "confidence",
)
VALUE_NAMES = ("value", *dict.fromkeys(name for type_ in EVENT_TYPES.values() for name in type_.values))
_LISTED: Final = frozenset(VALUE_NAMES)
_OF_EVENTS: Final = frozenset(COMMON_NAMES) - {"rule", "mode", "time"}
_OF_LEVELS: Final = frozenset({"kind", "channel", "detector", "value"})
_TEXT_NAMES = frozenset({"kind", "edge", "channel", "detector", "rule", "mode"})

_PLACE = re.compile(r"\{\{|\}\}|\{([^{}]*)\}|[{}]")
_NUMBER_FORMAT = re.compile(r"\+?0?(\d{0,2})(?:\.(\d{1,2}))?([fge%d]?)", re.ASCII)


class TemplateError(ValueError):
    """``args``: what is wrong, and the mend."""

    def __init__(self, what: str, mend: str) -> None:
        super().__init__(what)
        self.what = what
        self.mend = mend


@dataclass(frozen=True, slots=True)
class Place:
    name: str
    format: str


class Values:
    """What the whitelisted names stand for at a moment, looked up when a text asks."""

    __slots__ = ("_cause", "_mode", "_rule", "_time_s", "_value")

    def __init__(
        self, rule: str, mode: str, time_s: float, cause: Event | Level | None, value: float | None = None
    ) -> None:
        """``value``: what has become of the level's own."""
        self._rule = rule
        self._mode = mode
        self._time_s = time_s
        self._cause = cause
        self._value = value

    def get(self, name: str) -> float | str | None:
        """None where there is no such value, or it is not a finite number."""
        value = self._find(name)
        return value if value is None or isinstance(value, str) or isfinite(value) else None

    def _find(self, name: str) -> float | str | None:
        if name == "value" and self._value is not None:
            return self._value
        if name == "rule":
            return self._rule
        if name == "mode":
            return self._mode
        if name == "time":
            return self._time_s
        cause = self._cause
        if cause is None:
            return None
        found: float | str | None = None
        if name in (_OF_LEVELS if isinstance(cause, Level) else _OF_EVENTS):
            found = getattr(cause, name)
        elif isinstance(cause, Event) and name in _LISTED:
            found = cause.values.get(name)
        return found


class Template:
    """Pieces of fixed text and places, in order.

    ``lone``: the name when the text is one place without a format; then it stands for the number itself.
    """

    def __init__(self, pieces: Sequence[str | Place]) -> None:
        self.pieces: Final = tuple(pieces)
        only = self.pieces[0] if len(self.pieces) == 1 else None
        self.lone: Final = only.name if isinstance(only, Place) and not only.format else ""

    @property
    def names(self) -> frozenset[str]:
        return frozenset(piece.name for piece in self.pieces if isinstance(piece, Place))

    def render(self, values: Values) -> str | None:
        """The text, or None when a value that it needs is not there."""
        parts: list[str] = []
        for piece in self.pieces:
            if isinstance(piece, str):
                parts.append(piece)
                continue
            value = values.get(piece.name)
            if value is None:
                return None
            if isinstance(value, str):
                parts.append(value[:LONGEST_TEXT])
            elif not isfinite(value):
                return None
            else:
                parts.append(_formatted(value, piece.format or ".6g"))
        return "".join(parts)


def _formatted(value: float, spec: str) -> str:
    text = format(round(value), spec) if spec.endswith("d") else format(value, spec)
    # 1e300 with `.0f` has 301 digits: what no one reads is written short.
    return text if len(text) <= WIDEST + MOST_DECIMALS else format(value, ".6g")


def parse(text: str, names: Iterable[str] = (*COMMON_NAMES, *VALUE_NAMES)) -> Template:
    """Raises TemplateError for an unknown name, a format that is not listed, or a loose brace."""
    if len(text) > LONGEST_TEXT:
        raise TemplateError(f"the text is longer than {LONGEST_TEXT} characters", "shorten it")
    known = frozenset(names)
    pieces: list[str | Place] = []
    fixed = ""
    position = 0
    for found in _PLACE.finditer(text):
        fixed += text[position : found.start()]
        position = found.end()
        whole = found.group()
        if whole in ("{{", "}}"):
            fixed += whole[0]
            continue
        if found.group(1) is None:
            raise TemplateError(
                f"a loose `{whole}` in the text", f"write `{whole * 2}` for the character itself"
            )
        if fixed:
            pieces.append(fixed)
            fixed = ""
        pieces.append(_place(found.group(1), known))
    fixed += text[position:]
    if fixed:
        pieces.append(fixed)
    return Template(pieces)


def _place(inside: str, known: frozenset[str]) -> Place:
    name, colon, spec = inside.partition(":")
    if name not in known:
        if not re.fullmatch(r"[A-Za-z_0-9]*", name):
            mend = "a place holds one name and a number format, as in {rate:.0f}; write {{ and }} for braces"
            raise TemplateError(f"`{{{inside[:40]}}}` is not allowed in a text", mend)
        raise TemplateError(f"there is no value `{name[:40]}`", suggestion(name, known))
    if not colon:
        return Place(name, "")
    found = _NUMBER_FORMAT.fullmatch(spec)
    if found is None or name in _TEXT_NAMES or not spec:
        mend = "use a number format such as `.0f`, `.2f`, `5.1f`, `d`, `g` or `%`"
        if name in _TEXT_NAMES:
            mend = f"`{name}` is a text; write {{{name}}}"
        raise TemplateError(f"the format `{spec[:40]}` is not allowed", mend)
    if int(found[1] or 0) > WIDEST or int(found[2] or 0) > MOST_DECIMALS:
        raise TemplateError(
            f"the format `{spec}` is too wide", f"at most {WIDEST} characters and {MOST_DECIMALS} decimals"
        )
    if found[3] == "d" and found[2]:
        raise TemplateError(f"the format `{spec}` is not allowed", "`d` has no decimals; use `.2f`")
    if not found[3]:
        spec += "g"
    return Place(name, spec)

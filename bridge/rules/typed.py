"""Which keys and characters a rule file would type, and where it says so."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from bridge.rules.deeds import Duty, Hold, Press, Repeat, Toggle, TypeText
from bridge.rules.links import Path
from bridge.rules.schema import RuleFile
from bridge.rules.templates import parse


def typed_keys(rules: RuleFile) -> Iterator[tuple[Path, str]]:
    """Each key name or character with its path; values that templates put in are not known yet."""
    for index, rule in enumerate(rules.rules):
        for place, deed in enumerate(rule.then):
            for below, key in _of(deed):
                yield ("rules", index, "then", place, *below), key
    for index, level in enumerate(rules.levels):
        for place, level_deed in enumerate(level.then):
            for below, key in _of(level_deed):
                yield ("levels", index, "then", place, *below), key


def _of(deed: Any) -> Iterator[tuple[Path, str]]:
    match deed:
        case Press():
            yield from ((("press",), key) for key in deed.press)
        case Hold():
            yield from ((("hold",), key) for key in deed.hold.keys)
        case Toggle():
            yield from ((("toggle",), key) for key in deed.toggle.keys)
        case Repeat():
            yield from ((("repeat",), key) for key in deed.repeat.keys)
        case Duty():
            yield from ((("duty",), key) for key in deed.duty.keys)
        case TypeText():
            fixed = (piece for piece in parse(deed.type).pieces if isinstance(piece, str))
            yield from ((("type",), letter) for piece in fixed for letter in dict.fromkeys(piece))

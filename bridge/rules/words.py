"""Scalars of a rule file as the file spells them, and how they are read: durations, shares, truth, words.

The loader hands every scalar over as text (``Plain`` when it stood without quotes), so that `10:30` is not
630 and `no` is not false unless the schema asks for true or false. The readers here raise
``PydanticCustomError`` whose context holds ``mend``: what to write instead.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from typing import Any

from pydantic_core import PydanticCustomError

from bridge.suggesting import nearest


class Plain(str):
    """A scalar that stood in the file without quotes; it may mean a number or true/false."""

    __slots__ = ()


class Unknown:
    """Stands for the value of a key that the schema does not know; carries the keys that it does know."""

    __slots__ = ("known", "value")

    def __init__(self, value: Any, known: tuple[str, ...]) -> None:
        self.value = value
        self.known = known


UNITS_S = {"ms": 0.001, "s": 1.0, "min": 60.0, "h": 3600.0}
LONGEST_S = 24 * 3600.0

_DURATION = re.compile(r"([+-]?(?:\d+(?:\.\d*)?|\.\d+))\s*(.*)", re.ASCII | re.DOTALL)
_SHARE = re.compile(r"([+-]?(?:\d+(?:\.\d*)?|\.\d+))\s*%", re.ASCII)
# YAML 1.2 core schema, section 10.3.2: what a scalar without quotes may be besides text.
_INTEGER = re.compile(r"[-+]?\d+", re.ASCII)
_FLOAT = re.compile(r"[-+]?(?:\.\d+|\d+(?:\.\d*)?)(?:[eE][-+]?\d+)?", re.ASCII)


def problem(what: str, mend: str = "") -> PydanticCustomError:
    """An error that the loader shows as it is; braces are doubled because pydantic formats the text."""
    return PydanticCustomError("rule_file", "{what}", {"what": what, "mend": mend})


def suggestion(word: str, known: Iterable[str], most: int = 20) -> str:
    """A mend for an unknown word: the nearest one, else all of them when they are few."""
    names = sorted(set(known))
    close = nearest(word, names)
    if close:
        return f"did you mean `{close}`?"
    if not names:
        return ""
    more = "" if len(names) <= most else f" and {len(names) - most} more"
    return f"known: {', '.join(names[:most])}{more}"


def shown(value: Any) -> str:
    """A value of the file in a message, cut short."""
    if isinstance(value, dict):
        return "a group of keys"
    if isinstance(value, list | tuple):
        return "a list"
    text = str(value)
    return f"`{text[:40]}…`" if len(text) > 40 else f"`{text}`" if text else "nothing"


def duration_s(value: Any) -> float:
    """`700 ms`, `2 s`, `1.5 min`, `1 h` as seconds."""
    if isinstance(value, float) and math.isfinite(value):
        return value  # from Python, already in seconds
    if not isinstance(value, str) or not value.strip():
        raise problem(f"a duration is needed, not {shown(value)}", "write it like `700 ms`, `2 s` or `1 min`")
    found = _DURATION.fullmatch(value.strip())
    if found is None:
        raise problem(f"{shown(value)} is not a duration", "write it like `700 ms`, `2 s` or `1 min`")
    number, unit = float(found[1]), found[2].strip()
    if not unit:
        raise problem(f"the duration {shown(value)} has no unit", f"write `{found[1]} ms` or `{found[1]} s`")
    if unit.startswith(":"):
        raise problem(f"{shown(value)} is a time of day, not a duration", "write it like `10 min` or `630 s`")
    if unit not in UNITS_S:
        close = nearest(unit, [*UNITS_S, "sec", "second", "seconds", "minute", "minutes", "msec", "hour"])
        meant = {"sec": "s", "second": "s", "seconds": "s", "minute": "min", "minutes": "min"}.get(
            close, close
        )
        meant = {"msec": "ms", "hour": "h"}.get(meant, meant)
        mend = f"write `{found[1]} {meant}`" if meant else "the units are ms, s, min and h"
        raise problem(
            f"`{unit[:20]}` is not a unit of time", f"{mend} (units: ms, s, min, h)" if meant else mend
        )
    seconds = number * UNITS_S[unit]
    if not 0 < seconds <= LONGEST_S:
        raise problem(f"the duration {shown(value)} is not possible", "it must be above 0 and at most 24 h")
    return round(seconds, 9)


def is_duration(value: Any) -> bool:
    """Does it say a time, with its unit?"""
    found = _DURATION.fullmatch(value.strip()) if isinstance(value, str) else None
    return found is not None and found[2].strip() in UNITS_S


def number(value: Any) -> float:
    """A number, or a share such as `40 %` (0.4)."""
    if isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value):
        return float(value)
    if isinstance(value, str):
        text = value.strip()
        share = _SHARE.fullmatch(text)
        if share:
            return float(share[1]) / 100
        if _FLOAT.fullmatch(text) and math.isfinite(float(text)):
            return float(text)
        if re.match(r"[-+]?\d", text):
            raise problem(
                f"{shown(value)} is not a plain number", "write the number without a unit, or as `40 %`"
            )
    raise problem(f"a number is needed, not {shown(value)}", "write it like `0.4`, `100` or `40 %`")


def truth(value: Any) -> bool:
    """true or false; YAML 1.1's yes, no, on and off mean the same here."""
    if isinstance(value, bool):
        return value
    if isinstance(value, str):
        word = value.strip().lower()
        if word in ("true", "yes", "on"):
            return True
        if word in ("false", "no", "off"):
            return False
    raise problem(f"true or false is needed, not {shown(value)}", "write `true` or `false`")


def scalar(value: Any) -> float | int | str | bool:
    """What a free value means: without quotes a number or true/false where it looks like one, else text."""
    if isinstance(value, bool | int) or (isinstance(value, float) and math.isfinite(value)):
        return value
    if isinstance(value, Plain):
        if value in ("true", "false"):
            return value == "true"
        if _INTEGER.fullmatch(value) and len(value) < 20:
            return int(value)
        if _FLOAT.fullmatch(value) and math.isfinite(float(value)):
            return float(value)
        return str(value)
    if isinstance(value, str):
        return value
    raise problem(f"a number, a text or true/false is needed, not {shown(value)}", "")


def seconds_text(seconds: float) -> str:
    """A duration as people and rule files write it."""
    if seconds < 1:
        return f"{seconds * 1000:g} ms"
    if seconds < 120 or seconds % 60:
        return f"{seconds:g} s"
    return f"{seconds / 60:g} min" if seconds % 3600 else f"{seconds / 3600:g} h"

"""A log that says a repeated thing once and counts it: nobody can fill a disk by making us complain."""

from __future__ import annotations

import logging
import time
from collections import OrderedDict
from collections.abc import Callable

QUIET_S = 10.0
_MOST_ALIKE = 20  # of one kind that differ in their particulars, within the quiet time
_MOST_KNOWN = 500


class Restraint(logging.Filter):
    """Lets a warning through once in ten seconds; the next one of its kind says how many were left out.

    The same text counts as repeated, and so does the twenty-first of one kind (say, of as many addresses).
    Messages below ``level`` pass.
    """

    def __init__(self, level: int = logging.WARNING, clock: Callable[[], float] = time.monotonic) -> None:
        super().__init__()
        self._level = level
        self._clock = clock
        self._texts: OrderedDict[str, tuple[float, int]] = OrderedDict()
        self._kinds: OrderedDict[str, tuple[float, int]] = OrderedDict()

    def filter(self, record: logging.LogRecord) -> bool:
        if record.levelno < self._level:
            return True
        now_s = self._clock()
        text = record.getMessage()
        began_s, left_out = self._texts.get(text, (-QUIET_S, 0))
        again = now_s - began_s < QUIET_S
        kind = f"{record.name}\0{record.msg}"
        kind_began_s, alike = self._kinds.get(kind, (-QUIET_S, 0))
        if now_s - kind_began_s >= QUIET_S:
            more = max(0, alike - _MOST_ALIKE)
            kind_began_s, alike = now_s, 0
        else:
            more = 0
        if again:
            _put(self._texts, text, (began_s, left_out + 1))
            return False
        _put(self._kinds, kind, (kind_began_s, alike + 1))
        if alike >= _MOST_ALIKE:
            return False
        _put(self._texts, text, (now_s, 0))
        if left_out or more:
            record.msg, record.args = "%s (and %d more like it)", (text, left_out + more)
        return True


def _put(kept: OrderedDict[str, tuple[float, int]], key: str, value: tuple[float, int]) -> None:
    kept[key] = value
    kept.move_to_end(key)
    if len(kept) > _MOST_KNOWN:
        kept.popitem(last=False)

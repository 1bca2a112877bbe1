"""Closures of the eyes longer than a blink, found by their closing and their opening deflection.

On a DC-coupled amplifier closed lids hold the signal up. An AC-coupled one lets it sink back, and shows the
opening as a dip below rest; its first-order high-pass is undone here first: y + (1/T) * integral of y.
"""

from __future__ import annotations

import math
from collections import deque
from typing import Literal

# The restored level leaks away with this time constant, or drift would pile up.
_LEAK_S = 10.0
# Lids close within this time.
_RISE_S = 0.3
# Height of the closing, as a share of the typical blink: the lid goes as far.
_CLOSING_SHARE = 0.7
# What must remain of the closing all along, and what the opening must take away of it.
_STAYS = 0.35
_OPENS = 0.5
# Beyond this a closure is given up as a shift of the electrode's level.
_LONGEST_S = 60.0


class ClosureFinder:
    """One sample at a time; gives ``start`` and ``end`` with the sample index of the closing or opening."""

    def __init__(self, rate_hz: float, time_constant_s: float, closure_s: float) -> None:
        self._keep = math.exp(-1 / (_LEAK_S * rate_hz))
        self._feed = 1 / (time_constant_s * rate_hz) if time_constant_s else 0.0
        self._reach = max(1, round(_RISE_S * rate_hz))
        self._closure = max(1, round((closure_s + 0.05) * rate_hz))
        self._follow = 1 / rate_hz
        self._longest = round(_LONGEST_S * rate_hz)
        self.restart()

    def restart(self) -> None:
        self._y: float | None = None
        self._high_passed = 0.0
        self._fed = 0.0
        self._lows: deque[tuple[int, float]] = deque()
        self._base: float | None = None
        self._open = False

    def close(self) -> bool:
        """Give up what is open; was anything?"""
        was_open = self._open
        self._open = False
        self._base = None
        return was_open

    def step(self, n: int, y: float, typical: float) -> list[tuple[Literal["start", "end"], int]]:
        before = self._y
        self._y = y
        if before is not None:
            self._high_passed = self._keep * self._high_passed + y - before
            self._fed = self._keep * self._fed + self._feed * self._high_passed
        z = self._high_passed + self._fed
        if self._base is None:
            self._wait(n, z, typical)
            return []
        if not self._open:
            return self._watch_closing(n, z)
        return self._watch_opening(n, z)

    def _wait(self, n: int, z: float, typical: float) -> None:
        lows = self._lows
        while lows and lows[-1][1] >= z:
            lows.pop()
        lows.append((n, z))
        while lows[0][0] < n - self._reach:
            lows.popleft()
        if typical > 0.0 and z - lows[0][1] >= _CLOSING_SHARE * typical:
            self._base = lows[0][1]
            self._top = z
            self._since = n

    def _watch_closing(self, n: int, z: float) -> list[tuple[Literal["start", "end"], int]]:
        assert self._base is not None
        self._top = max(self._top, z)
        if z < self._base + _STAYS * (self._top - self._base):
            self._forget(n, z)
        elif n - self._since >= self._closure:
            self._open = True
            self._height = self._top - self._base
            self._level = z
            return [("start", self._since)]
        return []

    def _watch_opening(self, n: int, z: float) -> list[tuple[Literal["start", "end"], int]]:
        self._level += self._follow * (z - self._level)
        if z < self._level - _OPENS * self._height or n - self._since > self._longest:
            self._open = False
            self._forget(n, z)
            return [("end", n)]
        return []

    def _forget(self, n: int, z: float) -> None:
        self._base = None
        self._lows.clear()
        self._lows.append((n, z))

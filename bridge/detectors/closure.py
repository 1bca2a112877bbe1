"""Closures of the eyes longer than a blink, found by their closing and their opening deflection.

On a DC-coupled amplifier closed lids hold the signal up. An AC-coupled one lets it sink back, and shows the
opening as a dip below rest; its first-order high-pass is undone here first: y + (1/T) * integral of y.
"""

from __future__ import annotations

import math
from collections import deque
from typing import Final, Literal

from bridge.signals.robust import RecentQuantile

# The restored level leaks away with this time constant, or drift would pile up.
_LEAK_S: Final = 10.0
# Lids close within this time.
_RISE_S: Final = 0.3
# Height of the closing over the signal just before, and over the rest of the last 3 s, as shares of the
# typical blink: in a closure the lid goes as far as in a blink.
_CLOSING_SHARE: Final = 0.7
_OVER_REST_SHARE: Final = 0.6
_REST_S: Final = 3.0
# Share of the closing that must remain all along. The opening takes away less than the closing brought,
# because the restored level has leaked meanwhile, but within 0.4 s, and it lasts.
_STAYS: Final = 0.25
_OPENS: Final = 0.3
# Share of a typical blink that must remain when it is decided: lids that are down hold the signal up as far
# as a blink does, while most turns of the eyes change it by less. An AC-coupled amplifier's plateau is
# restored only as well as its time constant is known; beyond 5 s (1/T in 1/s) there is next
# to nothing to restore.
_STILL: Final = 0.6
_STILL_RESTORED: Final = 0.4
_RESTORES_FROM_PER_S: Final = 0.2
# Closed lids cannot blink: a pulse of this share of a typical blink, so long after the closing, says that it
# was a look up.
_BLINK_SHARE: Final = 0.6
_BLINK_AFTER_S: Final = 0.25
_OPENING_S: Final = 0.4
_BEFORE_OPENING_S: Final = 0.4
_LASTS_S: Final = 0.1
# Beyond this a closure is given up as a shift of the electrode's level.
_LONGEST_S: Final = 60.0

Change = tuple[Literal["start", "end"], int]


class _Lowest:
    """The lowest of the last ``reach`` values."""

    def __init__(self, reach: int) -> None:
        self._reach = reach
        self._values: deque[tuple[int, float]] = deque()

    def add(self, n: int, value: float) -> float:
        values = self._values
        while values and values[-1][1] >= value:
            values.pop()
        values.append((n, value))
        while values[0][0] <= n - self._reach:
            values.popleft()
        return values[0][1]

    def clear(self) -> None:
        self._values.clear()


class ClosureFinder:
    """One sample at a time; gives ``start`` and ``end`` with the sample index of the closing or opening."""

    def __init__(self, rate_hz: float, closure_s: float) -> None:
        self._rate = rate_hz
        self._keep = math.exp(-1 / (_LEAK_S * rate_hz))
        self._closure = max(1, round((closure_s + 0.05) * rate_hz))
        self._lasts = max(1, round(_LASTS_S * rate_hz))
        self._longest = round(_LONGEST_S * rate_hz)
        self._every = max(1, round(0.05 * rate_hz))
        self._lowest = _Lowest(max(2, round(_RISE_S * rate_hz)))
        self._lowest_before = _Lowest(max(1, round(_BEFORE_OPENING_S * rate_hz)))
        self._recent: deque[float] = deque(maxlen=max(1, round(_OPENING_S * rate_hz)) + 1)
        self._rest = RecentQuantile(0.5, round(_REST_S / 0.05))
        self.restart()

    def restart(self) -> None:
        self._y: float | None = None
        self._high_passed = 0.0
        self._fed = 0.0
        self._lowest.clear()
        self._lowest_before.clear()
        self._recent.clear()
        self._rest.reset()
        self._phase = 0
        self._rising = False
        self._watched: tuple[int, float, float] | None = None  # since, base, top
        self._open_since: int | None = None
        self._height = 0.0
        self._below = 0

    def close(self) -> bool:
        """Give up what is open; was anything?"""
        was_open = self._open_since is not None
        self._open_since = None
        self._watched = None
        return was_open

    def blinked(self, peak: int, height: float, typical: float) -> list[Change]:
        """A blink was seen that peaked at sample ``peak``."""
        if height < _BLINK_SHARE * typical:
            return []
        begun = peak - round(_BLINK_AFTER_S * self._rate)
        if self._watched is not None and self._watched[0] <= begun:
            self._watched = None
        if self._open_since is not None and self._open_since <= begun:
            self._open_since = None
            return [("end", peak)]
        return []

    def step(self, n: int, y: float, typical: float, per_s: float) -> list[Change]:
        """Sample ``n`` of the low-passed signal, blinks upwards.

        ``typical`` blink, 0 if unknown; ``per_s``: 1/T of the amplifier's high-pass, 0 where there is none.
        """
        before = self._y
        self._y = y
        if before is not None:
            self._high_passed = self._keep * self._high_passed + y - before
            self._fed = self._keep * self._fed + per_s / self._rate * self._high_passed
        z = self._high_passed + self._fed
        rest = self._rest.value
        self._phase += 1
        if self._phase == self._every:
            self._phase = 0
            self._rest.add(z)
        self._recent.append(z)
        low = self._lowest.add(n, z)
        rising = (
            typical > 0.0 and z - low >= _CLOSING_SHARE * typical and z - rest >= _OVER_REST_SHARE * typical
        )
        if rising and not self._rising:
            self._watched = (n, max(low, rest), z)
        self._rising = rising
        if self._open_since is None and self._watched is None:
            return []
        changes = self._opening(n, z)
        changes.extend(
            self._closing(n, z, typical, _STILL if per_s < _RESTORES_FROM_PER_S else _STILL_RESTORED)
        )
        return changes

    def _closing(self, n: int, z: float, typical: float, still: float) -> list[Change]:
        if self._watched is None:
            return []
        since, base, top = self._watched
        top = max(top, z)
        self._watched = (since, base, top)
        if z < base + _STAYS * (top - base):
            self._watched = None
        elif n - since >= self._closure:
            self._watched = None
            if z < base + still * typical:
                return []
            # Eyes that close have been open: an opening was missed.
            missed: list[Change] = [] if self._open_since is None else [("end", since)]
            self._open_since = since
            self._height = top - base
            self._below = 0
            self._lowest_before.clear()
            return [*missed, ("start", since)]
        return []

    def _opening(self, n: int, z: float) -> list[Change]:
        if self._open_since is None:
            return []
        before = self._lowest_before.add(n, self._recent[0])
        self._below = self._below + 1 if z < before - _OPENS * self._height else 0
        if self._below >= self._lasts or n - self._open_since > self._longest:
            self._open_since = None
            return [("end", n - self._below)]
        return []

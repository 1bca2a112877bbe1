"""Runs of one value, of a rail and of missing samples, and how much of a signal lies at a rail."""

from __future__ import annotations

from math import isfinite
from typing import Final

import numpy as np

from bridge.signals.types import Samples

SHORT: Final = 12
RAIL_VISITS: Final = 3  # a flat top that comes back at the very same value is a rail, once is chance


class Runs:
    """For how many samples the last value has stood, and how long the channel was at a rail or missing.

    ``longest`` is the longest run of one value that has ended, until ``forget_longest``. ``railed`` counts
    samples at either rail up, to ``most_railed``, and others down by half: an open input that mains drives
    from rail to rail is at neither for long.
    """

    def __init__(self, low: float, high: float, most_railed: int) -> None:
        self._most_railed = most_railed
        self._low = low
        self._high = high
        self._railed_type = isfinite(low) or isfinite(high)
        self.longest = 0
        self.restart()

    def restart(self) -> None:
        """A gap: what comes next is not next to what came before."""
        self.value = np.nan
        self.equal = 0
        self.railed = 0.0
        self.missing = 0

    def forget_longest(self) -> None:
        self.longest = 0

    def step(self, value: float) -> bool:
        """Take one sample; is there a run, of whatever length, that may come to mean something?"""
        if value == self.value:
            self.equal += 1
        else:
            if self.equal > self.longest:
                self.longest = self.equal
            self.value = value
            self.equal = 1
            self.missing = 0 if isfinite(value) else self.missing + 1
        if self._low < value < self._high:
            self.railed = max(0.0, self.railed - 0.5)
        elif self._railed_type and isfinite(value):
            self.railed = min(self._most_railed, self.railed + 1)
        return self.equal > 1 or self.railed > 0 or self.missing > 0

    def skip(self, x: Samples, limit: int) -> bool:
        """Take all of ``x`` at once if no run in it can be as long as ``limit``; else take none of it."""
        n = len(x)
        if n < SHORT:
            return False
        if self._railed_type and not (self._low < x.min() and x.max() < self._high):
            return False
        changed = np.flatnonzero(x[1:] != x[:-1])
        first, last = x[0], x[-1]
        if not np.isfinite(x).all() or len(changed) == 0:
            return False
        before = self.equal if first == self.value else 0
        head = before + int(changed[0]) + 1
        tail = n - 1 - int(changed[-1])
        inner = int((changed[1:] - changed[:-1]).max()) if len(changed) > 1 else 0
        if max(head, inner, tail) >= limit:
            return False
        ended = max(head, inner, self.equal if before == 0 else 0)
        self.longest = max(self.longest, ended)
        self.value, self.equal, self.railed, self.missing = (
            float(last),
            tail,
            max(0.0, self.railed - n / 2),
            0,
        )
        return True


class Rail:
    """One end of the converter's range; unknown, it shows as flat tops at the furthest value so far.

    ``side`` is 1 for the upper, -1 for the lower end.
    """

    def __init__(self, value: float, side: int) -> None:
        self.known = isfinite(value)
        self._side = side
        self._value = value if self.known else -side * np.inf
        self._visits = 0

    def share(self, x: Samples, low: float, high: float) -> float:
        """Share of the finite samples, shape (n,) with n > 1, from ``low`` to ``high``, that lie at it."""
        furthest = high if self._side > 0 else low
        if self.known:
            if (furthest - self._value) * self._side < 0:
                return 0.0
            return float(np.sum((x - self._value) * self._side >= 0)) / len(x)
        if furthest == self._value:
            at = x == furthest
            flat = int(np.sum(at[1:] & at[:-1]))
            self._visits += flat > 0
            return flat / len(x) if self._visits >= RAIL_VISITS else 0.0
        if (furthest - self._value) * self._side > 0:
            self._value, self._visits = furthest, 0
        return 0.0

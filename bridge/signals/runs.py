"""Runs of one value, of a rail and of missing samples, counted sample by sample."""

from __future__ import annotations

from math import isfinite

import numpy as np

from bridge.signals.types import Samples

SHORT = 12


class Runs:
    """For how many samples the last value has stood, and how long the channel was at a rail or missing.

    ``longest`` is the longest run of one value that has ended, until ``forget_longest``.
    """

    def __init__(self, low: float, high: float) -> None:
        self._low = low
        self._high = high
        self._railed_type = isfinite(low) or isfinite(high)
        self.longest = 0
        self.restart()

    def restart(self) -> None:
        """A gap: what comes next is not next to what came before."""
        self.value = np.nan
        self.equal = 0
        self.railed = 0
        self.missing = 0

    def forget_longest(self) -> None:
        self.longest = 0

    def step(self, value: float) -> None:
        """Take one sample."""
        if value == self.value:
            self.equal += 1
        else:
            if self.equal > self.longest:
                self.longest = self.equal
            self.value = value
            self.equal = 1
            self.missing = 0 if isfinite(value) else self.missing + 1
        if self._low < value < self._high:
            self.railed = 0
        elif self._railed_type and isfinite(value):
            self.railed += 1

    def skip(self, x: Samples, limit: int) -> bool:
        """Take all of ``x`` at once if no run in it can be as long as ``limit``; else take none of it."""
        n = len(x)
        if n < SHORT or n >= limit * 64:
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
        inner = int(np.diff(changed).max()) if len(changed) > 1 else 0
        if max(head, inner, tail) >= limit:
            return False
        ended = max(head, inner, self.equal if before == 0 else 0)
        self.longest = max(self.longest, ended)
        self.value, self.equal, self.railed, self.missing = float(last), tail, 0, 0
        return True

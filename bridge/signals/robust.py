"""Scales and gates that a few wild samples cannot upset.

Everything here is in the signal's own unit and knows no absolute voltage, so a change of gain changes
nothing.
"""

from __future__ import annotations

from array import array
from bisect import bisect_left, insort
from collections import deque
from collections.abc import Iterable

import numpy as np

from bridge.signals.types import Samples


def middle(values: Iterable[float]) -> float:
    """The median of a few numbers, at least one. ``statistics.median`` takes five times as long."""
    ranked = sorted(values)
    half = len(ranked) // 2
    return ranked[half] if len(ranked) % 2 else (ranked[half - 1] + ranked[half]) / 2


def middle_of_many(values: Samples) -> float:
    """The median of an array of shape (n,), n > 0. ``numpy.median`` takes four times as long."""
    half = len(values) // 2
    if len(values) % 2:
        return float(np.partition(values, half)[half])
    ranked = np.partition(values, (half - 1, half))
    return float(ranked[half - 1] + ranked[half]) / 2


class RecentQuantile:
    """A quantile of the last ``length`` values that were added; 0 before the first."""

    def __init__(self, quantile: float, length: int) -> None:
        self._quantile = quantile
        self._length = length
        # Arrays, for their numbers lie side by side: fetching them takes longer than comparing them.
        self._order = array("d")
        self._ranked = array("d")
        self._oldest = 0

    def __len__(self) -> int:
        return len(self._ranked)

    def add(self, value: float) -> None:
        """Take a finite value; the oldest one leaves."""
        ranked = self._ranked
        if len(ranked) < self._length:
            self._order.append(value)
        else:
            del ranked[bisect_left(ranked, self._order[self._oldest])]
            self._order[self._oldest] = value
            self._oldest = self._oldest + 1 if self._oldest + 1 < self._length else 0
        insort(ranked, value)

    @property
    def value(self) -> float:
        if not self._ranked:
            return 0.0
        return self._ranked[int(self._quantile * (len(self._ranked) - 1) + 0.5)]

    def reset(self) -> None:
        del self._order[:], self._ranked[:]
        self._oldest = 0


class SpikeGate:
    """Holds the last value through jumps far beyond what the signal does by itself (electrode pops).

    A sample further from the last good one than ``factor`` times the 90 % quantile of the signal's own
    changes over 10 ms is replaced by that last good one, for up to ``hold_s``; what lasts longer is a real
    step and passes. Hum passes too: it makes up the quantile itself. Until half a second has been seen, and
    where the quantile is zero (coarse converters), nothing is held.
    """

    def __init__(self, rate_hz: float, factor: float = 15.0, hold_s: float = 0.04) -> None:
        self._factor = factor
        self._hold = max(1, round(hold_s * rate_hz))
        self._lag = max(1, round(0.01 * rate_hz))
        # One change is measured every 20 ms over 10 s; neighbours say the same.
        self._every = max(1, round(0.02 * rate_hz))
        self._needed = round(0.5 * rate_hz / self._every)
        self._changes = RecentQuantile(0.9, 500)
        self._limit = 0.0
        self.restart()

    def restart(self) -> None:
        """A new stretch of signal begins; the scale that was learnt stays."""
        self._recent: deque[float] = deque(maxlen=self._lag + 1)
        self._good: float | None = None
        self._held = 0
        self._phase = 0

    def reset(self) -> None:
        self._changes.reset()
        self._limit = 0.0
        self.restart()

    def step(self, value: float) -> float:
        """Take one finite sample, give the one to use instead."""
        good = self._good
        if good is not None and self._limit > 0.0 and abs(value - good) > self._limit:
            self._held += 1
            if self._held <= self._hold:
                return good
        self._held = 0
        self._good = value
        self._recent.append(value)
        self._phase += 1
        if self._phase >= self._every and len(self._recent) > self._lag:
            self._phase = 0
            self._changes.add(abs(value - self._recent[0]))
            if len(self._changes) >= self._needed:
                self._limit = self._factor * self._changes.value
        return value


class FlatWatch:
    """Tells a line that moves from one that has gone flat, rounding of the filters aside."""

    def __init__(self, rate_hz: float, patience_s: float = 2.0) -> None:
        # Real converters repeat a value for up to 0.2 s; a line is flat when it repeats for much longer.
        self._patience = round(patience_s * rate_hz)
        self.reset()

    def reset(self) -> None:
        self._last: float | None = None
        self._reach = 0.0
        self._still = self._patience

    @property
    def rounding(self) -> float:
        """A change below this is rounding."""
        return 1e-9 * self._reach

    def moves(self, value: float) -> bool:
        """Take one sample; has the line moved within the patience?"""
        if abs(value) > self._reach:
            self._reach = abs(value)
        last = self._last
        self._last = value
        if last is not None and abs(value - last) > 1e-9 * self._reach:
            self._still = 0
        elif self._still < self._patience:
            self._still += 1
        return self._still < self._patience


class Roughness:
    """How much fast activity, muscle above all, a line carries beyond its usual: mean |second difference|.

    The difference spans 5 ms and is averaged over 0.15 s; the usual is the 30 % quantile of the last 30 s, so
    steady hum is part of it; less than twice the usual counts as none, for hum beats with the sampling rate.
    White noise of 1 SD reads about 2.
    """

    def __init__(self, rate_hz: float) -> None:
        self._lag = max(1, round(0.005 * rate_hz))
        self._follow = min(1.0, 1 / (0.15 * rate_hz))
        self._every = max(1, round(0.05 * rate_hz))
        self._usual = RecentQuantile(0.3, 600)
        self.restart()

    def restart(self) -> None:
        self._recent: deque[float] = deque(maxlen=2 * self._lag + 1)
        self._mean = 0.0
        self._phase = 0

    def reset(self) -> None:
        self._usual.reset()
        self.restart()

    def step(self, value: float) -> float:
        """Take one sample; the excess over the usual, 0 in the first second."""
        recent = self._recent
        recent.append(value)
        if len(recent) <= 2 * self._lag:
            return 0.0
        bend = abs(value - 2 * recent[self._lag] + recent[0])
        self._mean += self._follow * (bend - self._mean)
        self._phase += 1
        if self._phase >= self._every:
            self._phase = 0
            self._usual.add(self._mean)
        usual = self._usual.value
        return self._mean - usual if len(self._usual) >= 20 and self._mean > 2 * usual else 0.0

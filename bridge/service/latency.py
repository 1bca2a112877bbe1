"""Host latency: from the arrival of the sample to the action being handed to its output."""

from __future__ import annotations

from bisect import bisect_left
from typing import Final

# Upper bounds in seconds, a 1-2-5 series from 10 µs to 1 s.
BOUNDS_S: Final = (*(mantissa * 10.0**exponent for exponent in range(-5, 0) for mantissa in (1, 2, 5)), 1.0)


class Latency:
    """A histogram for the status page and the newest values for exact quantiles."""

    def __init__(self, keep: int = 10_000) -> None:
        self.counts = [0] * (len(BOUNDS_S) + 1)
        self.total_s = 0.0
        self._recent: list[float] = []
        self._keep = keep
        self._next = 0

    def add(self, seconds: float) -> None:
        self.counts[bisect_left(BOUNDS_S, seconds)] += 1
        self.total_s += seconds
        if len(self._recent) < self._keep:
            self._recent.append(seconds)
        else:
            self._recent[self._next] = seconds
            self._next = (self._next + 1) % self._keep

    def __len__(self) -> int:
        return sum(self.counts)

    def quantile_s(self, share: float) -> float | None:
        """The nearest-rank quantile (``share`` 0..1) of the newest values, None when there are none."""
        if not self._recent:
            return None
        ordered = sorted(self._recent)
        return ordered[min(len(ordered) - 1, int(share * len(ordered)))]

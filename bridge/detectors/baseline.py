"""What pulses of the eyes stand out from: the resting level, and the noise round it."""

from __future__ import annotations

import math
from typing import Final

from bridge.signals.robust import FlatWatch, RecentQuantile

_EVERY_S: Final = 0.05
_NOISE_OF: Final = 600  # changes over 50 ms: 30 s of them
_RESTING_OF: Final = 40  # values: 2 s of them


class Baseline:
    """Looks at the signal every 50 ms."""

    def __init__(self, rate_hz: float) -> None:
        self._every = max(1, round(_EVERY_S * rate_hz))
        self._changes = RecentQuantile(0.5, _NOISE_OF)
        self._resting = RecentQuantile(0.5, _RESTING_OF)
        self._flat = FlatWatch(rate_hz)
        self.reset()

    def reset(self) -> None:
        self._changes.reset()
        self._flat.reset()
        self.restart()

    def restart(self) -> None:
        """The signal starts anew; the noise stays known."""
        self._resting.reset()
        self._last = math.nan
        self._phase = 0

    @property
    def noise(self) -> float:
        """Median change over 50 ms in the last 30 s, infinite while the line has never moved."""
        return max(self._changes.value, self._flat.rounding) if len(self._changes) else math.inf

    @property
    def resting(self) -> float:
        """Median of the last 2 s."""
        return self._resting.value

    def add(self, value: float) -> None:
        """Take one sample."""
        moves = self._flat.moves(value)
        self._phase += 1
        if self._phase >= self._every:
            self._phase = 0
            # A line that has gone flat says nothing about the noise.
            if self._last == self._last and moves:
                self._changes.add(abs(value - self._last))
            self._last = value
            self._resting.add(value)

"""Several electrodes that show the same lid, joined into one signal."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

from bridge.signals.robust import FlatWatch, RecentQuantile

_EVERY_S: Final = 0.05
# 30 s of changes; weights are believed after 2 s.
_CHANGES: Final = 600
_BELIEVED: Final = 40
# An electrode weighs less when it is this many times as noisy as the quietest one: contact, not anatomy.
_NOISIER: Final = 2.0


class JoinedLeads:
    """The weighted mean of the leads' changes, added up, so that a lead may drop out and come back.

    All weigh the same until one is more than twice as noisy as the quietest (median change over 50 ms); then
    its weight falls with the square. A lead that stands still has no weight while another one moves.
    """

    def __init__(self, count: int, rate_hz: float) -> None:
        self._every = max(1, round(_EVERY_S * rate_hz))
        self._changes = [RecentQuantile(0.5, _CHANGES) for _ in range(count)]
        self._flat = [FlatWatch(rate_hz) for _ in range(count)]
        self._count = count
        self.reset()

    def reset(self) -> None:
        for changes, flat in zip(self._changes, self._flat, strict=True):
            changes.reset()
            flat.reset()
        self._weights = [1.0] * self._count
        self.restart()

    def restart(self) -> None:
        """The signal starts anew; what was learnt of the leads stays."""
        self._last = [math.nan] * self._count
        self._before = [math.nan] * self._count
        self._phase = 0
        self._sum = 0.0

    def step(self, values: Sequence[float]) -> float:
        """One sample of each lead, NaN where it is unusable; the joined signal, NaN where none is usable."""
        if self._count == 1:
            return values[0]
        change = weight = 0.0
        given = False
        for k in range(self._count):
            value = values[k]
            if value == value:
                given = True
                before = self._last[k]
                if before == before:
                    change += self._weights[k] * (value - before)
                    weight += self._weights[k]
            self._last[k] = value
        if not given:
            return math.nan
        if weight > 0.0:
            self._sum += change / weight
        self._weigh(values)
        return self._sum

    def _weigh(self, values: Sequence[float]) -> None:
        moving = [False] * self._count
        for k in range(self._count):
            if values[k] == values[k]:
                moving[k] = self._flat[k].moves(values[k])
        self._phase += 1
        if self._phase < self._every:
            return
        self._phase = 0
        for k in range(self._count):
            change = abs(values[k] - self._before[k])
            if moving[k] and change == change:
                self._changes[k].add(change)
            self._before[k] = values[k]
        noises = [
            self._changes[k].value if moving[k] and len(self._changes[k]) >= _BELIEVED else 0.0
            for k in range(self._count)
        ]
        known = [noise for noise in noises if noise > 0.0]
        if len(known) == 0 or not any(moving):
            return
        quietest = min(known)
        for k in range(self._count):
            if noises[k] > 0.0:
                self._weights[k] = min(1.0, (_NOISIER * quietest / noises[k]) ** 2)
            elif values[k] == values[k]:
                self._weights[k] = 1.0 if moving[k] else 1e-6

"""The last second of a signal, thinned out, and what can be read from it about a pulse and its amplifier."""

from __future__ import annotations

import math
from collections import deque
from typing import Final

from bridge.detectors.baseline import Baseline
from bridge.signals.robust import middle

_STEP_S: Final = 0.01
_KEPT_S: Final = 1.0
# Too few values say nothing about what went before.
_LEAST: Final = 8
# A blink's trace: from before its peak until its rebound is under way.
_BLINK_BEFORE_S: Final = 0.15
_BLINK_AFTER_S: Final = 0.3


class Recently:
    """Keeps a value every 10 ms for a second, and the baseline under them."""

    def __init__(self, rate_hz: float) -> None:
        self._rate = rate_hz
        self._step = max(1, round(_STEP_S * rate_hz))
        self._values: deque[tuple[int, float]] = deque(maxlen=round(_KEPT_S * rate_hz / self._step))
        self._baseline = Baseline(rate_hz)
        self.reset()

    def reset(self) -> None:
        self._baseline.reset()
        self.restart()

    def restart(self) -> None:
        """The signal starts anew; the noise stays known."""
        self._values.clear()
        self._baseline.restart()
        self._phase = 0

    @property
    def noise(self) -> float:
        """Median change over 50 ms in the last 30 s, infinite while the line has never moved."""
        return self._baseline.noise

    @property
    def resting(self) -> float:
        """Median of the last 2 s."""
        return self._baseline.resting

    def add(self, n: int, value: float) -> None:
        """Take sample ``n``."""
        self._phase += 1
        if self._phase >= self._step:
            self._phase = 0
            self._values.append((n, value))
        self._baseline.add(value)

    def before(self, start: int, end: int, blink_peak: int) -> tuple[float, float]:
        """Range and middle of the samples from ``start`` to ``end``, without the last blink's own.

        NaN where too little is left.
        """
        shut = blink_peak - round(_BLINK_BEFORE_S * self._rate)
        reopened = blink_peak + round(_BLINK_AFTER_S * self._rate)
        found = [value for n, value in self._values if start <= n <= end and not shut <= n <= reopened]
        if len(found) * self._step < _LEAST * _STEP_S * self._rate or len(found) < 3:
            return math.nan, math.nan
        return max(found) - min(found), middle(found)

    def since(self, start: int) -> list[tuple[int, float]]:
        """Sample indices and values from ``start`` on."""
        return [(n, value) for n, value in self._values if n >= start]


_BASE_FROM_S: Final = 0.3
_BASE_TO_S: Final = 0.17
_REOPENED_S: Final = 0.15
_LOOK_S: Final = 0.35
_BLINKS: Final = 15
_NEEDED: Final = 3


class Coupling:
    """The amplifier's high-pass, found from what it does to blinks.

    Through a first-order high-pass of time constant T a signal x that has come back to its base leaves
    y = -(1/T) * integral of y (computed). So the line through y against its own integral, after the lid has
    reopened, has the slope -1/T: near 0 on a DC-coupled amplifier. The median of the last fifteen blinks is
    taken.
    """

    def __init__(self, rate_hz: float, given: float | None, assumed: float) -> None:
        """``given``: 1/T where it is known; ``assumed``: 1/T until three blinks were seen. Both in 1/s."""
        self._rate = rate_hz
        self._given = given
        self._assumed = assumed
        self.look = round(_LOOK_S * rate_hz)
        self.reset()

    def reset(self) -> None:
        self._found: deque[float] = deque(maxlen=_BLINKS)
        self.per_s = self._assumed if self._given is None else self._given

    def learn(self, recently: Recently, peak: int) -> None:
        """A plain blink peaked at ``peak``, and ``look`` samples have passed since."""
        if self._given is not None:
            return
        values = recently.since(peak - round(_BASE_FROM_S * self._rate))
        until = peak - round(_BASE_TO_S * self._rate)
        bases = [value for n, value in values if n <= until]
        if len(bases) < 3:
            return
        base = middle(bases)
        reopened = peak + round(_REOPENED_S * self._rate)
        integral = cross = square = 0.0
        before = values[0][0]
        for n, value in values:
            integral += (value - base) * (n - before) / self._rate
            before = n
            if n >= reopened:
                cross += (value - base) * integral
                square += integral * integral
        if square > 0.0:
            self._found.append(-cross / square)
            if len(self._found) >= _NEEDED:
                self.per_s = max(0.0, middle(self._found))

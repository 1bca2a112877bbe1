"""Shifts of gaze in one EOG channel: steps that are faster than drift and larger than the noise.

A saccade of 10 degrees takes about 50 ms (Carpenter, 2.2 ms per degree + 21 ms) and then the eye rests for
about 200 ms or more, so the mean of the 120 ms after it is compared with the mean of the 150 ms before it.
What this difference does most of the time is the noise; its running median is the electrode's drift; the
threshold is a multiple of the noise (as Engbert & Kliegl 2003 do with velocity) or a share of this person's
usual shifts, whichever is more.

An AC-coupled amplifier lets the step sink back, which looks like a shift the other way. ``CouplingEstimate``
finds the time constant from the signal between the shifts, and the step is restored before comparing.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from typing import Final

import numpy as np

from bridge.signals.robust import FlatWatch, RecentQuantile

_BEFORE_S: Final = 0.15
_MOVING_S: Final = 0.05
_AFTER_S: Final = 0.12
# The steepest part, over shorter means, must hold most of the step: a slow ramp is no saccade.
_STEEP_S: Final = 0.06
_STEEP_GAP_S: Final = 0.04
_STEEP_SHARE: Final = 0.6
# Noise and drift are sampled every 60 ms, over 20 s and 10 s.
_EVERY_S: Final = 0.06
_NOISE_S: Final = 20.0
_DRIFT_S: Final = 10.0
# The 40 % quantile of |x| of a normal distribution is 0.524 SD; shifts take less than the rest of the time.
_QUANTILE: Final = 0.4
_SD_PER_QUANTILE: Final = 1 / 0.524
_OVER_NOISE: Final = 3.3
# Against bursts of noise: the step over the standard deviation of the samples before it.
_OVER_LOCAL_NOISE: Final = 3.0
# Share of the person's usual (median) shift.
_SHARE: Final = 0.3
# While usual shifts are not this much above what the noise allows, or none is known, be stricter.
_CLEAR: Final = 2.0
_UNCLEAR: Final = 1.5
# A movement counts as over when the difference grows by less than this share in 12 ms, or after 60 ms.
_SETTLED_SHARE: Final = 0.06
_SETTLED_S: Final = 0.012
_LATEST_S: Final = 0.06


class CouplingEstimate:
    """The decay rate (1/s, 0 when DC-coupled) of the amplifier's high-pass, from the last 30 s.

    Between shifts an AC-coupled signal changes by -k (y - m) dt. Of a ladder of rates the one is taken that
    leaves the least mean absolute change; large changes, the shifts themselves, hardly weigh in it.
    """

    _LADDER = (0.0, 0.2, 0.3, 0.45, 0.65, 0.95, 1.4, 2.0, 2.8, 4.0, 5.5, 7.5)

    def __init__(self) -> None:
        self._means: deque[float] = deque(maxlen=round(30.0 / _EVERY_S))
        self.rate = 0.0
        self.centre = 0.0

    def restart(self) -> None:
        self._means.clear()

    def add(self, mean: float) -> None:
        """Take the mean of the next 60 ms."""
        self._means.append(mean)

    def renew(self) -> None:
        """Estimate anew; to be called about once a second."""
        if len(self._means) < 4.0 / _EVERY_S:
            return
        means = np.array(self._means)
        change = np.diff(means)
        level = means[:-1] - means.mean()
        left = []
        for rate in self._LADDER:
            rest = change + (1 - math.exp(-rate * _EVERY_S)) * level
            left.append(float(np.abs(rest - np.median(rest)).mean()))
        best = int(np.argmin(left))
        # DC unless the decay explains something.
        self.rate = self._LADDER[best] if left[best] < 0.97 * left[0] else 0.0
        self.centre = float(means.mean())


@dataclass(frozen=True, slots=True)
class Shift:
    """One shift: sample index of its start, signed height and steepest slope (unit/s), over its threshold."""

    start: int
    amplitude: float
    velocity: float
    over: float


class ShiftFinder:
    """Takes the low-passed signal sample by sample. ``threshold`` fixes the least shift; else it adapts.

    ``floor``: what the noise lets be seen; ``least``: what is told.
    """

    def __init__(
        self, rate_hz: float, threshold: float | None, decay_rate: float | None, strictness: float = 1.0
    ) -> None:
        self._rate = rate_hz
        self._dt = 1 / rate_hz
        self.threshold = threshold  # may change while it runs: staying fitted
        self._decay = decay_rate
        self._strictness = strictness
        self._before = max(2, round(_BEFORE_S * rate_hz))
        self._moving = max(1, round(_MOVING_S * rate_hz))
        self._after = max(2, round(_AFTER_S * rate_hz))
        self._steep = max(1, round(_STEEP_S * rate_hz))
        self._steep_gap = max(1, round(_STEEP_GAP_S * rate_hz))
        self._span = self._before + self._moving + self._after
        self._every = max(1, round(_EVERY_S * rate_hz))
        self._settled = max(1, round(_SETTLED_S * rate_hz))
        self._latest = max(1, round(_LATEST_S * rate_hz))
        self._flat = FlatWatch(rate_hz)
        self._coupling = CouplingEstimate()
        self._noise = RecentQuantile(_QUANTILE, round(_NOISE_S / _EVERY_S))
        self._drift = RecentQuantile(0.5, round(_DRIFT_S / _EVERY_S))
        self.reset()

    def reset(self) -> None:
        self._coupling = CouplingEstimate()
        self._noise.reset()
        self._flat.reset()
        self._heights: deque[float] = deque(maxlen=40)
        self.floor = self.least = math.inf
        self.typical = 0.0
        self.restart()

    def restart(self) -> None:
        """A gap: the windows fill anew, the scale stays."""
        self._coupling.restart()
        self._drift.reset()
        self._z: deque[float] = deque(maxlen=self._span + 1)
        self._y: float | None = None
        self._level = 0.0
        self._sum_before = self._sum_after = 0.0
        self._sum_early = self._sum_late = 0.0
        self._mean = 0.0
        self._phase = 0
        self._blocks = 0
        self._recent: deque[float] = deque(maxlen=self._settled + 1)
        self._side = 0
        self._crossed = 0
        self._armed_at = -1
        self._told = self._learnt = False
        self._steepest = 0.0
        self._lowest = math.inf
        self._told_until = -1
        self.step_height = 0.0

    @property
    def decay_rate(self) -> float:
        return self._coupling.rate if self._decay is None else self._decay

    def step(self, n: int, y: float) -> Shift | None:
        """Sample ``n``; the shift that is decided with it, if one is."""
        before = self._y
        self._y = y
        if before is not None:
            self._level += y - before + self.decay_rate * (before - self._coupling.centre) * self._dt
        z = self._level
        moves = self._flat.moves(y)
        self._tick(y)
        if not self._fill(z):
            return None
        height = self._sum_after / self._after - self._sum_before / self._before
        if self._phase == 0:
            self._drift.add(height)
            if moves and n > self._told_until:
                self._noise.add(abs(height - self._drift.value))
            if len(self._noise):
                noise = self._strictness * _OVER_NOISE * _SD_PER_QUANTILE * self._noise.value
                self.floor = self.threshold or max(noise, self._flat.rounding)
                self.least = self.threshold or self._adapted()
        height -= self._drift.value
        self.step_height = height
        self._recent.append(height)
        return self._judge(n, height)

    def _tick(self, y: float) -> None:
        self._mean += y
        self._phase += 1
        if self._phase == self._every:
            self._phase = 0
            self._coupling.add(self._mean / self._every)
            self._mean = 0.0
            self._blocks += 1
            if self._blocks * _EVERY_S >= 1.0:
                self._blocks = 0
                if self._decay is None:
                    self._coupling.renew()

    def _fill(self, z: float) -> bool:
        """Move the four windows one sample on; false while they are not full."""
        past = self._z
        past.append(z)
        size = len(past)
        newest = size - 1
        self._sum_after += z
        self._sum_late += z
        if newest >= self._steep:
            self._sum_late -= past[newest - self._steep]
        lag = newest - self._steep - self._steep_gap
        if lag >= 0:
            self._sum_early += past[lag]
            if lag >= self._steep:
                self._sum_early -= past[lag - self._steep]
        if newest >= self._after:
            self._sum_after -= past[newest - self._after]
        lag = newest - self._after - self._moving
        if lag >= 0:
            self._sum_before += past[lag]
        if size <= self._span:
            return size == self._span
        self._sum_before -= past[0]
        return True

    def _adapted(self) -> float:
        """The noise alone does not tell a shift from what fixating eyes do: wait for clearly larger ones."""
        if self.typical < _CLEAR * self.floor:
            return _UNCLEAR * self.floor
        return max(self.floor, self._strictness * _SHARE * self.typical)

    def _judge(self, n: int, height: float) -> Shift | None:
        size = abs(height)
        sign = 1 if height > 0 else -1
        if self._side and (sign != self._side or size < 0.6 * self.floor):
            self._side = 0
        if not self._side:
            if size < self.floor:
                return None
            self._side = sign
            self._crossed = n
            self._arm()
        steep = sign * (self._sum_late - self._sum_early) / self._steep
        if self._told:
            # The windows still fill with the shift that was told; only what rises after that is another one.
            if n - self._armed_at <= self._after + self._moving:
                return None
            self._lowest = min(self._lowest, size)
            if size < self._lowest + self.least:
                return None
            self._crossed = n
            self._arm()
        self._steepest = max(self._steepest, steep)
        if size < self.least:
            if not self._learnt and n - self._crossed >= self._latest:
                self._learnt = True
                self._learn(size)
            return None
        if self._armed_at < 0:
            self._armed_at = n
        growth = size - sign * self._recent[0]
        if growth > _SETTLED_SHARE * size and n - self._armed_at < self._latest:
            return None
        self._told = True
        return self._shift(n, sign, size)

    def _arm(self) -> None:
        """A step begins that has not been told."""
        self._told = self._learnt = False
        self._armed_at = -1
        self._steepest = 0.0
        self._lowest = math.inf

    def _shift(self, n: int, sign: int, size: float) -> Shift | None:
        z = np.array(self._z)
        quiet = z[: self._before]
        if self._steepest < _STEEP_SHARE * size or size < _OVER_LOCAL_NOISE * float(quiet.std()):
            return None
        half = max(1, round(0.012 * self._rate))
        slope = sign * (z[2 * half :] - z[: -2 * half])
        slope = slope[self._before // 2 :]
        middle = int(np.argmax(slope)) + self._before // 2 + half
        newest = max(2, round(0.03 * self._rate))
        self._told_until = n + self._span
        amplitude = sign * max(size, sign * float(z[-newest:].mean() - quiet.mean()))
        if not self._learnt:
            self._learn(abs(amplitude))
        start = n - (len(z) - 1 - middle) - round(0.5 * _MOVING_S * self._rate)
        velocity = sign * float(slope.max()) / (2 * half) * self._rate
        return Shift(start, amplitude, velocity, size / self.least)

    def _learn(self, height: float) -> None:
        """The usual shift: the median of those that reach 0.3 of a high one, which is never the highest."""
        self._heights.append(height)
        ranked = sorted(self._heights)
        high = ranked[-1 - max(1, len(ranked) // 6)] if len(ranked) > 1 else ranked[0]
        strong = [each for each in ranked if each >= 0.3 * high]
        self.typical = strong[len(strong) // 2]

"""What a lid leaves in the signal: the pulse of a blink, and the plateau of a closure.

Both work on the low-passed signal, one sample at a time, and know no absolute height.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from typing import Final

from bridge.detectors.baseline import Baseline

# Closing takes about 100 ms, reopening as long, a whole blink 100 to 400 ms (Stern 1984, second-hand);
# slower rises are drift or the eyes' own movement.
_RISE_S: Final = 0.25
_FALL_S: Final = 0.32
# A fall has ended when hardly any of it came in the last 40 ms.
_PAUSE_S: Final = 0.04
_SETTLED_SHARE: Final = 0.12
# How long a pulse counts for the scale, and how long a scale lasts that nothing confirms.
_MEMORY_S: Final = 60.0
_STALE_S: Final = 120.0


@dataclass(frozen=True, slots=True)
class Pulse:
    """A rise and a fall by at least half of it. Sample indices; heights in the signal's unit."""

    peak: int
    height: float  # peak over the lowest value of the rise
    level: float  # the peak's own value
    rise: int  # samples from half height to the peak
    fall: int  # samples from the peak back to half height

    @property
    def width(self) -> int:
        """Samples at half height."""
        return self.rise + self.fall


class PulseFinder:
    """Finds pulses of one polarity: the highest point within reach from which the signal falls by half."""

    def __init__(self, rate_hz: float) -> None:
        self._reach = max(1, round(_RISE_S * rate_hz))
        self._late = max(1, round(_FALL_S * rate_hz))
        self._pause = max(1, round(_PAUSE_S * rate_hz))
        self._past: deque[float] = deque(maxlen=self._reach + self._late + 2)
        self.restart()

    def restart(self) -> None:
        self._past.clear()
        self._lows: deque[tuple[int, float]] = deque()
        self._top: float | None = None
        self._top_at = 0
        self._base = 0.0

    def step(self, n: int, value: float, least: float, on_step: float = math.inf) -> Pulse | None:
        """Sample ``n``; a pulse at least ``least`` high that has just fallen to its half, if there is one.

        A blink that comes with a shift of gaze falls back only to where the eyes rest now. Once that fall has
        ended, its height is measured over there, and has to be at least ``on_step``.
        """
        self._past.append(value)
        lows = self._lows
        while lows and lows[-1][1] >= value:
            lows.pop()
        lows.append((n, value))
        while lows[0][0] < n - self._reach:
            lows.popleft()
        top = self._top
        if top is None or value >= top or n - self._top_at > self._late:
            self._top = value
            self._top_at = n
            self._base = lows[0][1]
            return None
        height = top - self._base
        if height < least:
            return None
        if top - value < 0.5 * height:
            height = top - value
            if height < on_step or not self._has_settled(n, value, height):
                return None
        pulse = self._measure(n, top, height)
        self._top = value
        self._top_at = n
        self._base = value
        lows.clear()
        lows.append((n, value))
        return pulse

    def _has_settled(self, n: int, value: float, fallen: float) -> bool:
        """Has the fall from the top come to its end?"""
        if n - self._top_at < 2 * self._pause or len(self._past) <= self._pause:
            return False
        return self._past[-1 - self._pause] - value <= _SETTLED_SHARE * fallen

    def _measure(self, n: int, top: float, height: float) -> Pulse:
        past = self._past
        half = top - 0.5 * height
        fall = n - self._top_at
        at = len(past) - 1 - fall
        rise = 0
        while at - rise > 0 and past[at - rise] > half:
            rise += 1
        while fall > 1 and past[at + fall - 1] <= half:
            fall -= 1
        return Pulse(self._top_at, height, past[at], rise, fall)


class BlinkScale:
    """The person's own blinks of the last minute: their polarity, their typical height, the noise under them.

    Every pulse that has a blink's shape is remembered with its polarity, taken as a blink or not. A blink
    leaves the resting level and comes back; the dip between two blinks, or between a blink and a shift of
    gaze, does not, so heights over the resting level tell the polarity. The typical height is the median of
    the pulses that reach 0.3 of a high one, which is never the highest: a wild artefact cannot raise it.
    """

    def __init__(self, rate_hz: float, polarity: int) -> None:
        self._rate = rate_hz
        self._fixed = polarity
        self._baseline = Baseline(rate_hz)
        self.reset()

    def reset(self) -> None:
        self._baseline.reset()
        self._pulses: dict[int, deque[tuple[int, float]]] = {1: deque(maxlen=64), -1: deque(maxlen=64)}
        self._kept = {1: 0.0, -1: 0.0}
        self._kept_at = 0
        self.polarity = self._fixed or 1

    def restart(self) -> None:
        self._baseline.restart()

    @property
    def noise(self) -> float:
        """Median change over 50 ms, infinite while the line has never moved."""
        return self._baseline.noise

    @property
    def typical(self) -> float:
        """Typical height of this person's blink, 0 while none has been seen."""
        return self._kept[self.polarity]

    @property
    def resting(self) -> float:
        """Median of the last 2 s."""
        return self._baseline.resting

    @property
    def known(self) -> int:
        """How many pulses of the last minute it rests on."""
        return len(self._pulses[self.polarity])

    def watch(self, value: float) -> None:
        """Take one sample of the conditioned signal."""
        self._baseline.add(value)

    def excursion(self, pulse: Pulse, sign: int) -> float:
        """How far the pulse rises over its own base and over the resting level, whichever is less."""
        return min(pulse.height, pulse.level - sign * self._baseline.resting)

    def learn(self, n: int, pulse: Pulse, sign: int) -> None:
        """Remember a pulse of polarity ``sign`` found at sample ``n``."""
        excursion = self.excursion(pulse, sign)
        if excursion <= 0.3 * pulse.height:
            return
        oldest = n - round(_MEMORY_S * self._rate)
        for pulses in self._pulses.values():
            while pulses and pulses[0][0] < oldest:
                pulses.popleft()
        self._pulses[sign].append((n, excursion))
        strong = {side: self._high(side) for side in (1, -1)}
        if not self._fixed and strong[-self.polarity] > 1.5 * strong[self.polarity]:
            self.polarity = -self.polarity
        self._renew(n, sign)

    def _high(self, sign: int) -> float:
        """The second highest of a few pulses, the one a sixth down of many, or half of a single one."""
        ranked = sorted(height for _, height in self._pulses[sign])
        if not ranked:
            return 0.0
        return ranked[-1 - max(1, len(ranked) // 6)] if len(ranked) > 1 else 0.5 * ranked[0]

    def _renew(self, n: int, sign: int) -> None:
        least = 0.3 * max(
            self._high(sign), self._kept[sign] if n - self._kept_at < _STALE_S * self._rate else 0.0
        )
        high = sorted(height for _, height in self._pulses[sign] if height >= least)
        if high and (len(high) >= 3 or not self._kept[sign] or n - self._kept_at > _STALE_S * self._rate):
            self._kept[sign] = high[len(high) // 2]
            self._kept_at = n

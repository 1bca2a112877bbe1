"""What rest and effort look like in one person's muscle, learnt as they go: the scale contraction is read on.

All amplitudes in here are natural logarithms, so a change of gain only shifts them.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from math import exp, log
from typing import Final

import numpy as np

from bridge.signals.robust import middle

LEARNING_S: Final = 2.0
REST_RISE: Final = 0.3  # 1/s: a resting level that doubles after the first contraction is followed in 2.3 s
REST_FALL: Final = 2.0  # 1/s
STILL_REST_FALL: Final = 0.1  # 1/s while no sample moves: a dead input says little about rest
USUAL_FADE: Final = 0.02  # 1/s: after a minute of rest a third of the usual contraction is enough
LEAST_SPREAD: Final = 0.05
MOST_SPREAD: Final = 0.5
START_RATIO: Final = log(2.0)  # a contraction at least doubles the resting amplitude
START_SPREADS: Final = 4.0  # and stands out of its fluctuation (Hodges & Bui 1996 use up to 3)
END_RATIO: Final = log(1.4)
END_SPREADS: Final = 2.5
HYSTERESIS: Final = 0.2  # least distance of the two thresholds

# A QRS complex lasts up to 120 ms (common practice); the rest is the windows' and the filters' share.
PULSE_S: Final = 0.2
PULSE_MEMORY_S: Final = 6.0
PULSES: Final = 3  # so many within that memory are heartbeats: 30 a minute
PULSE_MARGIN: Final = 1.3
PULSE_RATIO: Final = log(1.5)


class EffortScale:
    """The resting level, its fluctuation, and the usual contraction; thresholds between them."""

    def __init__(self, rate_hz: float, rest: float | None, usual: float | None, mvc: float | None) -> None:
        """``rest``, ``usual`` and ``mvc`` are amplitudes from a profile, None where they are learnt."""
        self._rate_hz = rate_hz
        self._mvc = mvc
        self._usual_is_given = usual is not None
        self.rest: float | None = None if rest is None else log(rest)
        self._usual: float | None = None if usual is None else log(usual)
        self._spread = 0.15
        self._learning: list[float] = []
        self._peaks: deque[float] = deque(maxlen=5)
        self._largest = 0.0

    def learn(self, level: float) -> None:
        """Take one more sample of the first two seconds; their lower fifth is rest, they may hold effort."""
        self._learning.append(level)
        if len(self._learning) < LEARNING_S * self._rate_hz:
            return
        values = np.asarray(self._learning)
        self.rest = float(np.quantile(values, 0.2))
        away = np.abs(values[values <= self.rest + START_RATIO] - self.rest)
        self._spread = min(MOST_SPREAD, max(LEAST_SPREAD, float(away.mean())))
        self._learning = []

    def follow(self, level: float, still: bool) -> None:
        """Take one sample outside contractions."""
        assert self.rest is not None
        step_s = 1 / self._rate_hz
        away = level - self.rest
        if still:
            self.rest += max(min(away, 0.0), -STILL_REST_FALL * step_s)
            return
        # A slope limit, not an average: what sticks out far moves it no further than what does a little.
        self.rest += min(away, REST_RISE * step_s) if away > 0 else max(away, -REST_FALL * step_s)
        self._spread += (min(abs(away), MOST_SPREAD) - self._spread) * step_s / 2
        if self._usual is not None and not self._usual_is_given:
            self._usual -= USUAL_FADE * step_s

    def settle(self, level: float) -> None:
        """A contraction lasted so long that this must be the resting level."""
        self.rest = level

    def contracted(self, peak: float) -> None:
        """A contraction with this peak has ended: the usual one is the median of the last five."""
        self._peaks.append(peak)
        if not self._usual_is_given:
            self._usual = middle(self._peaks)

    def stands_out(self) -> float:
        """The level that just stands out of the fluctuation of rest: no start threshold is lower."""
        assert self.rest is not None
        return self.rest + max(START_RATIO, START_SPREADS * self._spread)

    def start_threshold(self, fraction: float) -> float:
        """Where a contraction begins that nothing else is known of."""
        return self.thresholds(fraction, fraction, None)[0]

    def thresholds(self, on: float, off: float, peak: float | None) -> tuple[float, float]:
        """Start and end, at these fractions of the way from rest to the usual contraction.

        ``peak`` is that of the contraction that is going on; it counts where it is above the usual one.
        """
        assert self.rest is not None
        start, end = self.stands_out(), self.rest + max(END_RATIO, END_SPREADS * self._spread)
        top = self._usual
        if top is None or (peak is not None and peak > top):
            top = peak
        if top is None:
            return start, min(end, start - HYSTERESIS)
        low = exp(self.rest)
        reach = max(0.0, exp(top) - low)
        start = max(start, log(low + on * reach))
        return start, min(max(end, log(low + off * reach)), start - HYSTERESIS)

    def confidence(self, level: float) -> float:
        """0..1; a half where the level just stands out of the fluctuation of rest."""
        assert self.rest is not None
        return min(1.0, max(0.0, (level - self.rest) / (2 * START_SPREADS * self._spread)))

    def held(self, amplitude: float) -> None:
        """An amplitude (no logarithm) within a contraction, for the largest one."""
        self._largest = max(self._largest, amplitude)

    def share(self, amplitude: float) -> float:
        """Fraction of the maximum voluntary contraction (ISEK), 0..1, of an amplitude (no logarithm).

        Without a profile the maximum is the largest seen, ten times rest until more was seen.
        """
        rest = 0.0 if self.rest is None else exp(self.rest)
        most = self._mvc or max(self._largest, 10 * rest)
        return min(1.0, max(0.0, (amplitude - rest) / (most - rest))) if most > rest else 0.0


@dataclass(frozen=True, slots=True)
class _Pulse:
    quiet_samples: int  # of quiet so far, when it came
    lasted_s: float
    height: float


class Pulses:
    """Short rises at rest that come again and again: the heart's, seen by electrodes on trunk and arm.

    What may be one of them has to last longer than they do, or to stand well above them. The clock stands
    still during contractions, so that they are not forgotten meanwhile.
    """

    def __init__(self, rate_hz: float) -> None:
        self._memory = PULSE_MEMORY_S * rate_hz
        self._quiet_samples = 0
        self._pulses: deque[_Pulse] = deque()

    def tick(self) -> None:
        """One more sample outside contractions."""
        self._quiet_samples += 1

    def add(self, lasted_s: float, height: float) -> None:
        self._pulses.append(_Pulse(self._quiet_samples, lasted_s, height))

    def needed_s(self, height: float) -> float:
        """How long a rise of this height has to last to be more than a pulse."""
        while self._pulses and self._pulses[0].quiet_samples < self._quiet_samples - self._memory:
            self._pulses.popleft()
        if len(self._pulses) < PULSES or height > max(p.height for p in self._pulses) + PULSE_RATIO:
            return 0.0
        return PULSE_MARGIN * middle(pulse.lasted_s for pulse in self._pulses)

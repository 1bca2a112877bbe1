"""What rest looks like in one person's muscle, learnt as it goes, and the evidence of an effort against it.

All amplitudes in here are natural logarithms, so a change of gain only shifts them.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from math import exp, log
from typing import Final

from bridge.signals.robust import middle

LEARNING_S: Final = 2.0
# The constants below were found on raw EMG of six people's gestures (8 electrodes, and each alone); each may
# be halved or doubled with little change there.
REST_FALL: Final = 0.3  # 1/s: a dead input, before it is known to be one, is no rest
DELAY_S: Final = 0.2  # what is learnt as rest is so old: a rise that begins, or a dead input, is not learnt
SPREAD_S: Final = 2.0  # time constant of the fluctuation of rest
LEAST_SPREAD: Final = 0.05
MOST_SPREAD: Final = 0.5
SPREADS: Final = 0.5  # of these a level must rise above rest, besides the least ratio
DOUBLED: Final = log(2.0)
MOST_HEIGHT: Final = 4.0  # more than e^4 times rest says no more: an artefact must last too
MOST_DEPTH: Final = 0.9
# A height above this counts with its square: twice as high needs a quarter of the time.
SQUARE_FROM: Final = 0.7
NEEDED_PER_SPREAD: Final = 0.2  # evidence in seconds (of a height of one above what must be exceeded)
USUAL_OF: Final = 5  # the usual effort is the median of so many
USUAL_FADE: Final = 0.02  # 1/s outside contractions: after a minute a third of it is enough
STEEP: Final = 0.5  # a steep rise out of rest needs so much less of the usual effort (of the logarithm)

PULSE_S: Final = 0.2  # a QRS complex lasts up to 120 ms (common practice); the rest is the filters' share
PULSE_MEMORY_S: Final = 6.0
PULSES: Final = 3  # so many within that memory are heartbeats: 30 a minute
PULSE_MARGIN: Final = 1.3
PULSE_RATIO: Final = log(1.5)


class EffortScale:
    """The resting level, its fluctuation and the usual effort; how far a level stands above them."""

    def __init__(
        self, rate_hz: float, rest_rise: float, least_ratio: float, least_share: float, mvc: float | None
    ) -> None:
        """The least that may be an effort: ``least_ratio`` times rest, ``least_share`` of the usual effort.

        ``rest_rise``: how fast the resting level follows upward, in 1/s. ``mvc``: an amplitude.
        """
        self._rate_hz = rate_hz
        self._rest_rise = rest_rise
        self._least = log(least_ratio)
        self._below_usual = log(least_share)
        self._tops: deque[float] = deque(maxlen=USUAL_OF)
        self.usual: float | None = None  # height above rest
        self._mvc = mvc
        self.rest: float | None = None
        self.spread = 0.15
        self._learning: list[float] = []
        self._recent: deque[float] = deque()
        self._delay = max(1, round(DELAY_S * rate_hz))
        self._largest = 0.0

    def learn(self, level: float) -> None:
        """Take one more sample of the first two seconds; their lower fifth is rest, they may hold effort."""
        self._learning.append(level)
        if len(self._learning) < LEARNING_S * self._rate_hz:
            return
        ranked = sorted(self._learning)
        low = ranked[int(0.2 * len(ranked))]
        away = [abs(value - low) for value in ranked if value <= low + DOUBLED]
        self.spread = min(MOST_SPREAD, max(LEAST_SPREAD, sum(away) / len(away)))
        # Of a fluctuation with this mean deviation the lower fifth lies about so far below the middle.
        self.rest = low + 0.7 * self.spread
        self._learning = []

    def learn_anew(self) -> None:
        """What was known of rest may not hold: the next samples are the first."""
        self.rest = None
        self._learning = []
        self._recent.clear()

    def follow(self, level: float) -> None:
        """Take one sample outside contractions; it is learnt from when it is a while old."""
        assert self.rest is not None
        self._recent.append(level)
        if len(self._recent) <= self._delay:
            return
        step_s = 1 / self._rate_hz
        away = self._recent.popleft() - self.rest
        # A slope limit, not an average: what sticks out far moves it no further than what does a little.
        self.rest += min(max(away, -REST_FALL * step_s), self._rest_rise * step_s)
        spread = self.spread + (min(abs(away), MOST_SPREAD) - self.spread) * step_s / SPREAD_S
        self.spread = max(LEAST_SPREAD, spread)

    def fade(self) -> None:
        """One more sample without a contraction."""
        if self.usual is not None:
            self.usual -= USUAL_FADE / self._rate_hz

    def forget_recent(self) -> None:
        """What came last was no rest: an effort, or a dead input."""
        self._recent.clear()

    def ended(self, top: float) -> None:
        """A contraction of this height above rest has ended."""
        self._tops.append(top)
        ranked = sorted(self._tops)
        self.usual = ranked[(len(ranked) - 1) // 2]

    def stands_out(self) -> float:
        """How far above rest a level stands out of its fluctuation."""
        return self._least + SPREADS * self.spread

    def must_exceed(self, steep: bool) -> float:
        """How far above rest a level begins to be evidence of an effort."""
        least = self.stands_out()
        if self.usual is None:
            return least
        return max(least, self.usual + self._below_usual - (STEEP if steep else 0.0))

    def gain(self, height: float, must_exceed: float) -> float:
        """What a height above rest says for an effort, or against it, each second."""
        beyond = min(height, MOST_HEIGHT) - must_exceed
        if beyond <= 0:
            return max(beyond, -MOST_DEPTH)
        return beyond * max(1.0, min(height, MOST_HEIGHT) / SQUARE_FROM)

    def needed(self) -> float:
        """So much evidence is enough, in seconds."""
        return NEEDED_PER_SPREAD * self.spread

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

    def add(self, lasted_s: float, height: float, fall_s: float) -> None:
        """A rise is over. ``fall_s``: what the smoothing alone takes to fall by one (of the logarithm)."""
        if lasted_s < PULSE_S + fall_s * min(height, MOST_HEIGHT):
            self._pulses.append(_Pulse(self._quiet_samples, lasted_s, height))

    def needed_s(self, height: float) -> float:
        """How long a rise of this height has to last to be more than a pulse."""
        while self._pulses and self._pulses[0].quiet_samples < self._quiet_samples - self._memory:
            self._pulses.popleft()
        if len(self._pulses) < PULSES or height > max(p.height for p in self._pulses) + PULSE_RATIO:
            return 0.0
        return PULSE_MARGIN * middle(pulse.lasted_s for pulse in self._pulses)

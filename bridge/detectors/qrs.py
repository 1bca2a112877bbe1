"""Where QRS complexes may be: conditioning of an ECG, its short-time amplitude, the peaks of that.

The 8-20 Hz part of an ECG is where a QRS complex stands out most from P and T waves (Elgendi, Jonkman & De
Boer 2010, from memory); its smoothed square is compared. The R peak itself is looked for in a wider band.
"""

from __future__ import annotations

from collections import deque
from functools import lru_cache
from math import pi, sin, sqrt
from typing import Final

import numpy as np

from bridge.signals.block import cells
from bridge.signals.filters import CausalFilter, SamplingRateError, design_band, running_mean
from bridge.signals.robust import middle_of_many
from bridge.signals.types import Samples

LEAST_RATE_HZ: Final = 90.0  # 100 Hz boards whose clock is off
WIDE_HZ = (3.0, 35.0)  # where the R peak is placed: above the wander, below the mains
NARROW_HZ = (8.0, 20.0)
SMOOTHING_HZ: Final = 6.0
MAINS_HZ = (50.0, 60.0)
MAINS_QUALITY: Final = 8.0  # wide enough for a mains and a board's clock that are a few per cent off
APART_S: Final = 0.1  # a peak is the largest value within so much on both sides
REFINE_S: Final = 0.07  # R lies within so much of the middle of the energy
SHAPE_S: Final = 0.1  # a shape is the wide signal so far around R
HISTORY_S: Final = 6.0
HUM_S: Final = 0.25  # time constant of the mains' amplitude
SPIKE_FACTOR: Final = 4.0
SPIKE_SECONDS: Final = 3
SPIKES_A_SECOND: Final = 5


@lru_cache(maxsize=16)
def _bands(rate_hz: float) -> tuple[Samples, Samples, Samples]:
    if rate_hz < LEAST_RATE_HZ:
        raise SamplingRateError(f"an ECG needs a sampling rate of 100 Hz or more, not {rate_hz:g} Hz")
    return (
        design_band(rate_hz, *WIDE_HZ, notch_hz=MAINS_HZ, notch_quality=MAINS_QUALITY),
        design_band(rate_hz, *NARROW_HZ),
        design_band(rate_hz, high_hz=SMOOTHING_HZ),
    )


@lru_cache(maxsize=16)
def _delays(rate_hz: float) -> tuple[int, int]:
    """Samples from an R peak to its peak in the wide band, and to the peak of the energy.

    Measured on a model R wave: a Gaussian of 12 ms standard deviation (a QRS of about 80 ms).
    """
    n = round(rate_hz)
    wave = np.exp(-0.5 * ((np.arange(2 * n) - n) / (0.012 * rate_hz)) ** 2)
    wide, narrow, smooth = (CausalFilter(sos) for sos in _bands(rate_hz))
    y = wide.process(wave)
    z = narrow.process(y)
    return int(np.argmax(y)) - n, int(np.argmax(smooth.process(z * z))) - n


class LoneSpikes:
    """Takes out single samples that stand out from both neighbours far more than any did lately.

    One sample late. A sample goes when its height over the nearer of its neighbours is SPIKE_FACTOR times the
    largest such height of the last three seconds, where R peaks and hum set the measure. Where many would go
    within a second the signal has grown, and the measure grows with it.
    """

    def __init__(self, rate_hz: float) -> None:
        self._second = round(rate_hz)
        self.reset()

    def reset(self) -> None:
        self._largest: deque[float] = deque(maxlen=SPIKE_SECONDS)
        self._limit = np.inf
        self.restart()

    def restart(self) -> None:
        self._before: float | None = None
        self._last = 0.0
        self._here = 0.0  # the largest height of this second that stayed
        self._gone = 0
        self._count = 0

    def step(self, value: float) -> float:
        """Take one sample, give the one before it."""
        before, last = self._before, self._last
        if before is None:
            before = last = value
        out = last
        if (last - before) * (last - value) > 0:
            height = min(abs(last - before), abs(last - value))
            if height > self._limit:
                out = 0.5 * (before + value)
                self._gone += 1
            elif height > self._here:
                self._here = height
        self._before, self._last = last, value
        self._count += 1
        if self._count == self._second:
            self._largest.append(self._limit if self._gone > SPIKES_A_SECOND else self._here)
            if len(self._largest) == SPIKE_SECONDS and max(self._largest) > 0:
                self._limit = SPIKE_FACTOR * max(self._largest)
            self._here, self._gone, self._count = 0.0, 0, 0
        return out


class QrsFront:
    """Conditions one lead and finds the peaks of its short-time energy, each a QRS complex or noise.

    A peak is known ``apart`` samples after it.
    """

    def __init__(self, rate_hz: float) -> None:
        """Raises SamplingRateError where the rate cannot carry the band."""
        self._wide, self._narrow, self._smooth = (CausalFilter(sos) for sos in _bands(rate_hz))
        self._spikes = LoneSpikes(rate_hz)
        wide_delay, energy_delay = _delays(rate_hz)
        self.wide_delay = wide_delay + 1  # the spikes' sample
        self._back = energy_delay - wide_delay
        self.apart = max(4, round(APART_S * rate_hz))
        self._refine = max(2, round(REFINE_S * rate_hz))
        self._half = max(3, round(SHAPE_S * rate_hz))
        self._keep = round(HISTORY_S * rate_hz)
        self._wide_cells, self._wide_past = cells(2 * self._keep)
        self._energy_cells, self._energy_past = cells(2 * self._keep)
        self._hum_cells, self._hum_past = cells(2 * self._keep)
        self._changes = CausalFilter(running_mean(rate_hz, HUM_S))
        self._change_of_hum = 4.0 / pi * sin(pi * min(0.5, MAINS_HZ[0] / rate_hz))
        self.restart(0)

    def restart(self, first: int) -> None:
        """A gap: the next sample, index ``first``, seeds the filters."""
        for item in (self._wide, self._narrow, self._smooth, self._changes):
            item.reset()
        self._spikes.restart()
        self._before: float | None = None
        self._offset: float | None = None  # taken off, or rounding would make noise of a large one
        self._filled = 0
        self._origin = first  # index of the sample at the buffers' start

    def reset(self) -> None:
        self._spikes.reset()
        self.restart(0)

    def step(self, value: float) -> tuple[int | None, float]:
        """One finite sample: the index of the peak that it decides, if it does, and the energy."""
        if self._offset is None or self._before is None:
            self._before = self._offset = value
        change = value - self._before
        self._before = value
        wide = self._wide.step(self._spikes.step(value - self._offset))
        narrow = self._narrow.step(wide)
        energy = self._smooth.step(narrow * narrow)
        self._make_room()
        self._hum_cells[self._filled] = self._changes.step(abs(change))
        self._wide_cells[self._filled] = wide
        self._energy_cells[self._filled] = energy
        self._filled += 1
        at = self._filled - 1 - self.apart
        return (at + self._origin if at >= self.apart and self._is_peak(at) else None), energy

    def _make_room(self) -> None:
        """For one more sample, by forgetting what is older than HISTORY_S."""
        if self._filled == len(self._wide_past):
            for past in (self._wide_past, self._energy_past, self._hum_past):
                past[: self._keep] = past[self._filled - self._keep : self._filled].copy()
            self._origin += self._filled - self._keep
            self._filled = self._keep

    def _is_peak(self, at: int) -> bool:
        past = self._energy_cells
        return past[at - 1] < past[at] >= past[at + 1] and self._dominates(at, self.apart)

    def _dominates(self, at: int, apart: int) -> bool:
        """Larger than all before, not smaller than all after, within APART_S."""
        past = self._energy_past
        value = past[at]
        return bool(value > past[at - apart : at].max() and value >= past[at + 1 : at + apart + 1].max())

    def amplitude(self, index: int) -> float:
        """Short-time amplitude at an index, in the signal's unit."""
        return sqrt(max(float(self._energy_past[index - self._origin]), 0.0))

    def hum(self, index: int) -> float:
        """Amplitude that a hum would have that changes as fast as the signal does at ``index``.

        A sine of amplitude a and frequency f changes by 4 / pi a sin(pi f / rate) from one sample to
        the next, on average.
        """
        at = min(index - self._origin, self._filled - 1)
        return max(self._hum_cells[at], 0.0) / self._change_of_hum

    def largest(self, first: int, stop: int) -> float:
        """Largest amplitude from index ``first`` to before ``stop``."""
        part = self._energy_past[max(0, first - self._origin) : stop - self._origin]
        return sqrt(max(float(part.max()), 0.0)) if len(part) else 0.0

    def unrest(self, index: int, samples: int) -> float:
        """Median amplitude of the last ``samples`` before the peak at ``index`` is known."""
        stop = index + self.apart - self._origin
        return sqrt(max(middle_of_many(self._energy_past[max(0, stop - samples) : stop]), 0.0))

    def place(self, index: int, polarity: float) -> tuple[int, float, float]:
        """Of the peak at ``index``: its R peak's index, height, and side (-1 down .. 1 up).

        R is looked for on the peak's own side where it clearly has one, else where ``polarity`` points.
        """
        centre = index - self._back - self._origin
        low = max(0, centre - self._refine)
        window = self._wide_past[low : centre + self._refine + 1]
        up, down = int(window.argmax()), int(window.argmin())
        height, depth = float(window[up]), -float(window[down])
        total = height + depth
        side = (height - depth) / total if total > 0 else 0.0
        upwards = side > 0 if abs(side) > 0.3 else polarity >= 0
        at, size = (up, height) if upwards else (down, depth)
        return low + at + self._origin - self.wide_delay, size, side

    def shape(self, r_index: int) -> Samples | None:
        """The wide signal around an R peak, of unit length; None where it is not all there."""
        at = r_index + self.wide_delay - self._origin
        if at < self._half or at + self._half >= self._filled:
            return None
        part = self._wide_past[at - self._half : at + self._half + 1].copy()
        norm = float(np.sqrt(np.dot(part, part)))
        return part / norm if norm > 0 else None


class Shapes:
    """The last ``most`` shapes of beats, each of unit length, as rows of one array."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._rows: Samples = np.zeros((0, 0))
        self.clear()

    def clear(self) -> None:
        self._count = self._next = 0

    def __len__(self) -> int:
        return self._count

    def add(self, shape: Samples) -> None:
        """Shape (n,), the same n each time; the oldest goes when there are too many."""
        if self._rows.shape[1] != len(shape):
            self._rows = np.zeros((self._most, len(shape)))
        self._rows[self._next] = shape
        self._next = (self._next + 1) % self._most
        self._count = min(self._count + 1, self._most)

    def replace(self, shape: Samples) -> None:
        """Take it in the place of the last one."""
        if self._count:
            self._rows[(self._next - 1) % self._most] = shape

    def likeness(self, shape: Samples) -> list[float]:
        """The correlation with each."""
        correlations: list[float] = (self._rows[: self._count] @ shape).tolist()
        return correlations

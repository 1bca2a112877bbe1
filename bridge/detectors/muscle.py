"""How strong a muscle pulls, one number a sample: the conditioning of the contraction detector.

Both front ends give the natural logarithm of an amplitude, averaged over the electrodes.
"""

from __future__ import annotations

from collections import deque
from math import inf, log, nan
from typing import Final

import numpy as np
from numpy.typing import NDArray

from bridge.signals.filters import FilterBank, SamplingRateError, design_band, running_mean
from bridge.signals.robust import RecentQuantile
from bridge.signals.types import Samples

LOW_HZ: Final = 20.0  # SENIAM and common practice: below lie movement and the electrodes' own noise
HIGH_HZ: Final = 500.0  # SENIAM: surface EMG ends about here
LEAST_RATE_HZ: Final = 195.0  # 200 Hz boards whose clock is a few per cent off
LEAST_ENVELOPE_RATE_HZ: Final = 20.0
MAINS_HZ = (50.0, 60.0, 100.0, 120.0, 150.0, 180.0)
MAINS_QUALITY: Final = 10.0  # wide enough for mains and board clocks that are half a hertz off together
SMOOTHING_S: Final = 0.008  # time constant of the mean square
STILL_S: Final = 0.25
_TINY: Final = 1e-200  # keeps logarithms finite


class _Steps:
    """The smallest change seen in each electrode, taken for its converter's step, and stillness."""

    def __init__(self, width: int, rate_hz: float) -> None:
        self._smallest = [inf] * width
        self.still_samples = round(STILL_S * rate_hz)
        self.reset()

    def reset(self) -> None:
        self._last: list[float] | None = None
        self._run = 0

    def process(self, samples: Samples) -> tuple[Samples, Samples]:
        """Smallest step so far, shape (n, electrodes), and for how many samples nothing moved, shape (n,)."""
        before = samples[:1] if self._last is None else np.array([self._last])
        joined = np.concatenate((before, samples))
        change = np.abs(joined[1:] - joined[:-1])
        self._last = samples[-1].tolist()
        changed = change > 0
        steps = np.where(changed, change, np.inf)
        if (steps >= self._smallest).all():  # as good as always
            steps[:] = self._smallest
        else:
            steps = np.minimum.accumulate(np.vstack([self._smallest, steps]), axis=0)[1:]
            self._smallest = steps[-1].tolist()
        moved: NDArray[np.bool_] = np.asarray(changed.any(axis=1))
        if moved.all():
            self._run = 0
            return steps, np.zeros(len(moved))
        position = np.arange(1, len(moved) + 1)
        last_move = np.maximum.accumulate(np.where(moved, position, -self._run))
        unmoved = position - last_move
        self._run = int(unmoved[-1])
        return steps, unmoved.astype(np.float64)

    def step(self, values: list[float]) -> tuple[list[float], int]:
        """The same for one row of samples, in plain Python: a board sends one or two at a time."""
        last = values if self._last is None else self._last
        self._last = values
        smallest = self._smallest
        moved = False
        for column, value in enumerate(values):
            change = abs(value - last[column])
            if change > 0:
                moved = True
                if change < smallest[column]:
                    smallest[column] = change
        self._run = 0 if moved else self._run + 1
        return smallest, self._run

    def still(self, unmoved: Samples) -> Samples:
        return (unmoved >= self.still_samples).astype(np.float64)


def _logs(values: Samples) -> Samples:
    """Natural logarithms by ``math.log``, whose last digit numpy's may differ in."""
    return np.array([log(value) for value in values.ravel().tolist()]).reshape(values.shape)


def emg_band(rate_hz: float) -> Samples:
    """Sections (shape (k, 6)) of raw EMG's band with mains notched out."""
    high_hz = HIGH_HZ if rate_hz > 2.2 * HIGH_HZ else None
    return design_band(rate_hz, LOW_HZ, high_hz, order=4, notch_hz=MAINS_HZ, notch_quality=MAINS_QUALITY)


class EmgAmplitude:
    """Raw EMG: 20 Hz to 500 Hz or Nyquist, mains notched out, short-time root mean square.

    A converter's rounding noise (step / sqrt 12) is added as a floor, so that a signal that rests within one
    step has a resting level. The energy for the onset is that of the Teager-Kaiser operator
    x(n-1)^2 - x(n-2) x(n), one sample late (Solnik et al. 2008).
    """

    def __init__(self, width: int, rate_hz: float) -> None:
        """Raises SamplingRateError below 195 Hz."""
        if rate_hz < LEAST_RATE_HZ:
            raise SamplingRateError(
                f"EMG needs a sampling rate of 200 Hz or more, not {rate_hz:g} Hz; "
                "a module that sends the rectified envelope is of kind emg-envelope"
            )
        self._width = width
        self._band = FilterBank(emg_band(rate_hz), width)
        # First the squares of all electrodes, then their Teager energies.
        self._means = FilterBank(running_mean(rate_hz, SMOOTHING_S), 2 * width)
        self._steps = _Steps(width, rate_hz)
        self.reset()

    def reset(self) -> None:
        self._band.reset()
        self._means.reset()
        self._steps.reset()
        self._before = [(0.0, 0.0)] * self._width

    def process(self, samples: Samples) -> tuple[Samples, Samples, Samples]:
        """Samples of shape (n, electrodes) to log amplitude, log energy and whether all stand still (1 or 0).

        Each of shape (n,). The energy places the onset. NaN where a value is not known yet.
        """
        width = self._width
        steps, unmoved = self._steps.process(samples)
        y = self._band.process(samples.T)
        past = np.concatenate((self._before, y), axis=1)
        self._before = [(first, last) for first, last in past[:, -2:].tolist()]
        teager = np.maximum(past[:, 1:-1] ** 2 - past[:, :-2] * past[:, 2:], 0.0)
        means = self._means.process(np.concatenate((y * y, teager))).reshape(2, width, -1)
        seen = np.isfinite(steps.T)
        if seen.all():
            total, energy = (0.5 * _logs(means + np.maximum(steps.T**2 / 12, _TINY))).sum(axis=1)
            return total / width, energy / width, self._steps.still(unmoved)
        floor = np.maximum(np.where(seen, steps.T, 1.0) ** 2 / 12, _TINY)
        total, energy = np.where(seen, 0.5 * _logs(means + floor), 0.0).sum(axis=1)
        with np.errstate(invalid="ignore"):
            known = seen.sum(axis=0)
            return total / known, energy / known, self._steps.still(unmoved)

    def step(self, values: list[float]) -> tuple[float, float, float]:
        """One sample of each electrode: the same arithmetic in the same order, without arrays of one."""
        steps, unmoved = self._steps.step(values)
        squares, teagers = [], []
        for column, y in enumerate(self._band.step(values)):
            first, last = self._before[column]
            self._before[column] = (last, y)
            squares.append(y * y)
            teagers.append(max(last * last - first * y, 0.0))
        means = self._means.step(squares + teagers)
        total = energy = 0.0
        known = 0
        for column, step in enumerate(steps):
            if step == inf:
                continue
            floor = max(step * step / 12, _TINY)
            total += 0.5 * log(means[column] + floor)
            energy += 0.5 * log(means[self._width + column] + floor)
            known += 1
        still = 1.0 if unmoved >= self._steps.still_samples else 0.0
        if not known:
            return nan, nan, still
        return total / known, energy / known, still


class EnvelopeAmplitude:
    """An envelope that the module has already rectified and smoothed: no high-pass, any offset.

    The amplitude is the height above the resting level, which a tenth of the last minute lies below, plus four
    times the unrest of its quieter half-seconds, which stands for the resting amplitude. Neither is a minimum:
    one dip of a loose wire would be the floor for a minute.
    """

    _QUANTILE = 0.1

    _PIECE_S = 0.1
    _MEMORY_S = 60.0
    _UNRESTS = 4.0

    def __init__(self, width: int, rate_hz: float) -> None:
        """Raises SamplingRateError below 20 Hz."""
        if rate_hz < LEAST_ENVELOPE_RATE_HZ:
            raise SamplingRateError(
                f"an EMG envelope needs a sampling rate of 20 Hz or more, not {rate_hz:g} Hz"
            )
        self._piece = max(2, round(self._PIECE_S * rate_hz))
        self._steps = _Steps(width, rate_hz)
        memory = round(self._MEMORY_S / self._PIECE_S)
        self._means = [RecentQuantile(self._QUANTILE, memory) for _ in range(width)]
        self._unrests = [RecentQuantile(self._QUANTILE, memory) for _ in range(width)]
        self._floor: list[tuple[float, float] | None] = [None] * width
        self.reset()

    def reset(self) -> None:
        self._steps.reset()
        self._open: list[list[float]] = [[] for _ in self._means]
        self._lately: list[deque[float]] = [deque(maxlen=5) for _ in self._means]

    def process(self, samples: Samples) -> tuple[Samples, Samples, Samples]:
        """As ``EmgAmplitude.process``."""
        steps, _ = self._steps.process(samples)
        rows = zip(samples.tolist(), steps.tolist(), strict=True)
        logs = np.array([self._row(values, least) for values, least in rows])
        return logs, logs, np.zeros(len(samples))

    def step(self, values: list[float]) -> tuple[float, float, float]:
        least, _ = self._steps.step(values)
        log = self._row(values, least)
        return log, log, 0.0

    def _row(self, values: list[float], least: list[float]) -> float:
        total, known = 0.0, 0
        for column, (value, step) in enumerate(zip(values, least, strict=True)):
            self._add(column, value)
            floor = self._floor[column]
            if floor is not None and (step < inf or floor[1] > 0):
                unrest = max(floor[1], min(step, 1e300) / 2)
                total += log(max(value - floor[0], 0.0) + self._UNRESTS * unrest)
                known += 1
        return total / known if known else nan

    def _add(self, column: int, value: float) -> None:
        piece = self._open[column]
        piece.append(value)
        if len(piece) < self._piece:
            return
        mean = sum(piece) / len(piece)
        lately = self._lately[column]
        lately.append(sum(abs(item - mean) for item in piece) / len(piece))
        self._means[column].add(mean)
        if len(lately) == lately.maxlen:
            self._unrests[column].add(sum(lately) / len(lately))
        piece.clear()
        if len(self._unrests[column]):
            self._floor[column] = (self._means[column].value, self._unrests[column].value)

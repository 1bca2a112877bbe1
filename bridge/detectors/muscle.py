"""How strong a muscle pulls, one number a sample: the conditioning of the contraction detector.

Both front ends give the natural logarithm of an amplitude, averaged over the electrodes (a geometric mean, so
that an electrode's own gain does not matter and an artefact under a single one counts little).
"""

from __future__ import annotations

from collections.abc import Sequence
from math import inf, log, nan
from typing import Final

import numpy as np

from bridge.signals.filters import FilterBank, SamplingRateError, design_band, running_mean
from bridge.signals.robust import RecentQuantile
from bridge.signals.types import Samples

LOW_HZ: Final = 20.0  # SENIAM and common practice: below lie movement and the electrodes' own noise
HIGH_HZ: Final = 500.0  # SENIAM: surface EMG ends about here
LEAST_RATE_HZ: Final = 195.0  # 200 Hz boards whose clock is a few per cent off
LEAST_ENVELOPE_RATE_HZ: Final = 20.0
MAINS_HZ = (50.0, 60.0, 100.0, 120.0, 150.0, 180.0)
MAINS_QUALITY: Final = 10.0  # wide enough for mains and board clocks that are half a hertz off together
NYQUIST_NOTCH_HZ: Final = 5.0  # half width
SMOOTHING_S: Final = 0.02  # time constant of the mean square
REST_RISE: Final = 0.6  # 1/s: a resting level that doubles after the first contraction is followed in 1.2 s
ENVELOPE_REST_RISE: Final = 0.3  # 1/s: an envelope rises slowly, a weak effort so much so that it was learnt
STILL_S: Final = 0.1  # real converters and links repeat all electrodes for up to half of it
DEAD_S: Final = 0.25  # so long without any change, and what follows is a signal that begins anew
BLANK_S: Final = 0.1  # the filters' answer to a beginning
_TINY: Final = 1e-200  # keeps logarithms finite


def folded(at_hz: float, rate_hz: float) -> float:
    """Where a frequency (Hz) appears after sampling without an anti-aliasing filter, as hobby boards do."""
    rest_hz = at_hz % rate_hz
    return min(rest_hz, rate_hz - rest_hz)


def emg_band(rate_hz: float) -> Samples:
    """Sections (shape (k, 6)) of raw EMG's band, with mains and its harmonics notched out where they appear.

    At 200 Hz the second harmonic of 50 Hz lies on half the rate, that of 60 Hz at 80 Hz.
    """
    high_hz = HIGH_HZ if rate_hz > 2.2 * HIGH_HZ else None
    notches: list[float] = []
    at_nyquist = False
    for mains_hz in MAINS_HZ:
        at_hz = folded(mains_hz, rate_hz)
        if at_hz >= 0.45 * rate_hz:
            at_nyquist = True
        elif at_hz >= LOW_HZ and all(abs(at_hz - other_hz) > 2.0 for other_hz in notches):
            notches.append(at_hz)
    band = design_band(rate_hz, LOW_HZ, high_hz, order=4, notch_hz=notches, notch_quality=MAINS_QUALITY)
    return np.vstack([band, _nyquist_notch(rate_hz)]) if at_nyquist else band


def _nyquist_notch(rate_hz: float) -> Samples:
    """A section (shape (1, 6)) with its zero on half the rate: a first-order bilinear low-pass."""
    half = np.tan(np.pi * NYQUIST_NOTCH_HZ / rate_hz)
    pole = (1 - half) / (1 + half)
    gain = (1 + pole) / 2
    return np.array([[gain, gain, 0.0, 1.0, pole, 0.0]])


class _Steps:
    """The smallest change seen in each electrode, taken for its converter's step, and stillness."""

    def __init__(self, width: int) -> None:
        self.smallest = [inf] * width
        self.reset()

    def reset(self) -> None:
        self._last: list[float] | None = None
        self.unmoved = 0  # so many samples in a row nothing has moved

    def step(self, values: Sequence[float]) -> None:
        last = self._last
        self._last = list(values)
        if last is None:
            self.unmoved += 1
            return
        smallest = self.smallest
        moved = False
        for column, value in enumerate(values):
            change = abs(value - last[column])
            if change > 0:
                moved = True
                if change < smallest[column]:
                    smallest[column] = change
        self.unmoved = 0 if moved else self.unmoved + 1


class EmgAmplitude:
    """Raw EMG: 20 Hz to 500 Hz or Nyquist, mains notched out, short-time root mean square.

    A converter's rounding noise (step / sqrt 12) is added as a floor, so that a signal that rests within one
    step has a resting level.
    """

    def __init__(self, columns: Sequence[int], rate_hz: float) -> None:
        """``columns``: which of the detector's channels count. Raises SamplingRateError below 195 Hz."""
        if rate_hz < LEAST_RATE_HZ:
            raise SamplingRateError(
                f"EMG needs a sampling rate of 200 Hz or more, not {rate_hz:g} Hz; "
                "a module that sends the rectified envelope is of kind emg-envelope"
            )
        self._columns = list(columns)
        width = len(self._columns)
        self._band = FilterBank(emg_band(rate_hz), width)
        self._means = FilterBank(running_mean(rate_hz, SMOOTHING_S), width)
        self._steps = _Steps(width)
        self._still = max(2, round(STILL_S * rate_hz))
        self._dead = max(3, round(DEAD_S * rate_hz))
        self._blank_for = round(BLANK_S * rate_hz)
        self.reset()

    def reset(self) -> None:
        """The signal begins anew; the converter's step stays known."""
        self._band.reset()
        self._means.reset()
        self._steps.reset()
        self._blank = self._blank_for
        self.still = False

    def step(self, row: Sequence[float]) -> float:
        """One sample of each channel to the log amplitude; NaN where it is not known yet.

        ``still`` then says whether nothing has moved for so long that the input may be dead.
        """
        values = [row[column] for column in self._columns]
        before = self._steps.unmoved
        self._steps.step(values)
        if before >= self._dead and self._steps.unmoved == 0:
            self._band.reset()
            self._means.reset()
            self._blank = self._blank_for
        self.still = self._steps.unmoved >= self._still
        means = self._means.step([y * y for y in self._band.step(values)])
        if self._blank > 0:
            self._blank -= 1
            return nan
        total = 0.0
        known = 0
        for column, smallest in enumerate(self._steps.smallest):
            if smallest != inf:
                total += 0.5 * log(means[column] + max(smallest * smallest / 12, _TINY))
                known += 1
        return total / known if known else nan


class EnvelopeAmplitude:
    """An envelope that the module has already rectified and smoothed: no high-pass, any offset.

    The amplitude is the height above the resting level, which a tenth of the last minute lies below, plus
    four times the unrest of its quieter half-seconds, which stands for the resting amplitude. Neither is a
    minimum: one dip of a loose wire would be the floor for a minute.
    """

    _PIECE_S: Final = 0.1
    _MEMORY_S: Final = 60.0
    _QUANTILE: Final = 0.1
    _UNRESTS: Final = 4.0
    _PIECES: Final = 5  # the unrest is that of half a second

    def __init__(self, columns: Sequence[int], rate_hz: float) -> None:
        """``columns``: which of the detector's channels count. Raises SamplingRateError below 20 Hz."""
        if rate_hz < LEAST_ENVELOPE_RATE_HZ:
            raise SamplingRateError(
                f"an EMG envelope needs a sampling rate of 20 Hz or more, not {rate_hz:g} Hz"
            )
        self._columns = list(columns)
        width = len(self._columns)
        self._piece = max(2, round(self._PIECE_S * rate_hz))
        self._steps = _Steps(width)
        memory = round(self._MEMORY_S / self._PIECE_S)
        self._means = [RecentQuantile(self._QUANTILE, memory) for _ in range(width)]
        self._unrests = [RecentQuantile(self._QUANTILE, memory) for _ in range(width)]
        self.still = False  # a resting envelope may well stand still
        self.reset()

    def reset(self) -> None:
        """The signal begins anew; what was learnt of its rest stays."""
        self._steps.reset()
        self._open: list[list[float]] = [[] for _ in self._means]
        self._lately: list[list[float]] = [[] for _ in self._means]

    def step(self, row: Sequence[float]) -> float:
        """As ``EmgAmplitude.step``."""
        values = [row[column] for column in self._columns]
        self._steps.step(values)
        total = 0.0
        known = 0
        for column, value in enumerate(values):
            self._add(column, value)
            step = self._steps.smallest[column]
            if len(self._unrests[column]) == 0:
                continue
            unrest = max(self._unrests[column].value, (step if step < 1e300 else 0.0) / 2)
            if unrest > 0:
                total += log(max(value - self._means[column].value, 0.0) + self._UNRESTS * unrest)
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
        if len(lately) > self._PIECES:
            del lately[0]
        self._means[column].add(mean)
        if len(lately) == self._PIECES:
            self._unrests[column].add(sum(lately) / len(lately))
        piece.clear()

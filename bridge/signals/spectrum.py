"""How a second of signal divides into mains hum, fast noise and the rest."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge.signals.types import Samples

SLOWEST_HZ = 1.5  # drift and what the window cannot tell from it are left out
NOISE_ABOVE_HZ = 40.0
LINE_HZ = 1.6  # half width of a line, with the window's own
NEAR_HZ = 6.0  # so far on both sides the floor under a line is measured


@dataclass(frozen=True, slots=True)
class Shares:
    """Of the power above 1.5 Hz (``rms``, in the signal's unit): hum at 50 and 60 Hz, and fast noise."""

    rms: float
    hum_50: float
    hum_60: float
    noise: float


class SpectralShares:
    """Figures of windows of ``length`` samples: a Hann-weighted periodogram.

    Of each mains frequency's harmonics only those whose line lies below half the sampling rate count. What a
    broad spectrum has there anyway, the median of the bins around, is not hum.
    """

    def __init__(self, length: int, rate_hz: float) -> None:
        self._hann: Samples = np.hanning(length + 1)[:-1]
        self._scale = 2.0 / float(np.sum(self._hann**2)) / length
        frequency = np.fft.rfftfreq(length, 1 / rate_hz)
        self._slowest = int(np.searchsorted(frequency, SLOWEST_HZ))
        mains = np.zeros(len(frequency), dtype=bool)
        self._lines: list[list[tuple[slice, list[slice]]]] = []
        for base_hz in (50.0, 60.0):
            lines = []
            for line_hz in np.arange(base_hz, rate_hz / 2 - LINE_HZ, base_hz):
                distance = np.abs(frequency - line_hz)
                inside = np.flatnonzero(distance <= LINE_HZ)
                beside = np.flatnonzero((distance > LINE_HZ) & (distance <= NEAR_HZ))
                lines.append(
                    (
                        _slice(inside),
                        [_slice(beside[beside < inside[0]]), _slice(beside[beside > inside[-1]])],
                    )
                )
                mains |= distance <= LINE_HZ
            self._lines.append(lines)
        from_hz = min(NOISE_ABOVE_HZ, 0.3 * rate_hz)
        fast = (frequency >= from_hz) & ~mains
        beyond, left = int(np.sum(frequency >= from_hz)), int(np.sum(fast))
        # What two sums over the power's bins take in: all of it, and the fast part scaled to fill its band.
        self._sums: Samples = np.vstack(
            [np.arange(len(frequency)) >= self._slowest, fast * (beyond / left if left else 0.0)]
        ).astype(np.float64)

    def of(self, x: Samples) -> Shares:
        """Figures of a window of finite samples, shape (length,)."""
        spectrum = np.fft.rfft((x - float(x.sum()) / len(x)) * self._hann)
        power = spectrum.real**2 + spectrum.imag**2
        total, fast = (self._sums @ power).tolist()
        if total <= 0.0:
            return Shares(0.0, 0.0, 0.0, 0.0)
        bins = power.tolist()
        hum = []
        for lines in self._lines:
            above = 0.0
            for inside, (below, beyond) in lines:
                line = bins[inside]
                beside = sorted(bins[below] + bins[beyond])
                above += max(0.0, sum(line) - len(line) * beside[len(beside) // 2])
            hum.append(above / total)
        return Shares((total * self._scale) ** 0.5, hum[0], hum[1], min(1.0, fast / total))


def _slice(bins: NDArray[np.intp]) -> slice:
    """Of bins in a row."""
    return slice(int(bins[0]), int(bins[-1]) + 1) if len(bins) else slice(0, 0)

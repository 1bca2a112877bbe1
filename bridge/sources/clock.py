"""From sample index to host time: a robust line through the arrival times of blocks. No input or output.

Samples arrive late, never early: transport and scheduling only add delay. So of each short stretch the
arrival with the least delay counts, and a line is laid through those (median of pairwise slopes,
Theil 1950 and Sen 1968, both from memory).
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import Final

import numpy as np

from bridge.signals.robust import middle_of_many

_STRETCH_S: Final = 0.25
_STRETCHES: Final = 240  # one minute
_FIT_SPAN_S: Final = 5.0  # a slope from less than this would be worse than the nominal rate
_FIT_EVERY: Final = 4  # stretches
# Crystals and ceramic resonators are within 0.5 %; a measured rate may be off by more at first.
_MAX_DRIFT: Final = 0.03


@dataclass(frozen=True, slots=True)
class ClockReport:
    """``drift_ppm``: how much too fast the device samples; ``jitter_ms``: 95th percentile of lateness."""

    rate_hz: float
    drift_ppm: float
    jitter_ms: float


class SampleClock:
    """Feed ``update`` with each block's last index and arrival time; ask for the host time of any index."""

    def __init__(self, rate_hz: float) -> None:
        self._nominal_hz = rate_hz
        self.restart()

    def restart(self) -> None:
        """Forget all: the device is another or its own clock began anew."""
        self._period_s = 1.0 / self._nominal_hz
        self._origin_s: float | None = None
        self._points: deque[tuple[float, float]] = deque(maxlen=_STRETCHES)
        self._best: tuple[float, float] | None = None
        self._stretch_start_s = 0.0
        self._late: deque[float] = deque(maxlen=512)
        self._since_fit = 0

    @property
    def started(self) -> bool:
        return self._origin_s is not None

    def update(self, index: int, host_s: float) -> None:
        """Sample ``index`` had arrived by ``host_s`` (host monotonic clock, seconds)."""
        implied_s = host_s - index * self._period_s
        if self._origin_s is None:
            self._origin_s = implied_s
            self._best = (float(index), host_s)
            self._stretch_start_s = host_s
            return
        if implied_s < self._origin_s and len(self._points) < _FIT_EVERY:
            self._origin_s = implied_s
        self._late.append(implied_s - self._origin_s)
        if self._best is None or implied_s < self._best[1] - self._best[0] * self._period_s:
            self._best = (float(index), host_s)
        if host_s - self._stretch_start_s >= _STRETCH_S:
            self._points.append(self._best)
            self._best = None
            self._stretch_start_s = host_s
            self._since_fit += 1
            if self._since_fit >= _FIT_EVERY:
                self._since_fit = 0
                self._fit()

    def _fit(self) -> None:
        index, host = np.array(self._points).T
        if host[-1] - host[0] >= _FIT_SPAN_S:
            # Pairs half the span apart: all long baselines, few enough to be cheap.
            half = index.size // 2
            apart = index[half:] - index[: index.size - half]
            usable = apart > 0
            if usable.any():
                slope = middle_of_many((host[half:] - host[: host.size - half])[usable] / apart[usable])
                nominal = 1.0 / self._nominal_hz
                self._period_s = max(nominal * (1 - _MAX_DRIFT), min(nominal * (1 + _MAX_DRIFT), slope))
        # Most stretches hold an arrival with hardly any delay; the lower quartile is not moved by stalls.
        quarter = (index.size - 1) // 4
        self._origin_s = float(np.partition(host - index * self._period_s, quarter)[quarter])

    def host_time(self, index: float) -> float:
        """Host time (s) at which sample ``index`` was taken, plus the transport's least delay."""
        if self._origin_s is None:
            raise RuntimeError("no sample has arrived yet")
        return self._origin_s + index * self._period_s

    def index_at(self, host_s: float) -> float:
        """The sample index, with fraction, that is due at ``host_s``."""
        if self._origin_s is None:
            raise RuntimeError("no sample has arrived yet")
        return (host_s - self._origin_s) / self._period_s

    def report(self) -> ClockReport:
        late = np.array(self._late) if self._late else np.zeros(1)
        return ClockReport(
            1.0 / self._period_s,
            (1.0 / (self._period_s * self._nominal_hz) - 1.0) * 1e6,
            float(np.quantile(np.maximum(late, 0.0), 0.95)) * 1e3,
        )


def measured_rate(indices: list[int], host_s: list[float]) -> float | None:
    """Sampling rate (Hz) from how many samples had come by when; None where that says nothing.

    A line through the arrivals of every stretch's least delayed block, rounded to a usual rate nearby.
    """
    if len(indices) < 4 or host_s[-1] - host_s[0] < 0.2:
        return None
    index = np.array(indices, dtype=np.float64)
    host = np.array(host_s, dtype=np.float64)
    rough = (index[-1] - index[0]) / (host[-1] - host[0])
    if rough <= 0:
        return None
    # Late arrivals lie above the line; take them out twice, then fit what is left.
    keep = np.ones(index.size, dtype=bool)
    slope, base = 1.0 / rough, 0.0
    for _ in range(3):
        x, y = index[keep], host[keep]
        centred = x - x.mean()
        if not centred.any():
            return None
        slope = float(centred @ (y - y.mean()) / (centred @ centred))
        base = float(y.mean() - slope * x.mean())
        residual = host - base - slope * index
        narrower = residual <= np.quantile(residual, 0.75)
        if np.unique(index[narrower]).size < 4:
            break
        keep = narrower
    return usual_rate(1.0 / slope) if slope > 0 else None


# Rates that boards are commonly set to (common practice).
_USUAL_HZ = (
    10,
    20,
    25,
    50,
    100,
    120,
    125,
    128,
    150,
    200,
    240,
    250,
    256,
    300,
    360,
    400,
    500,
    512,
    600,
    800,
    860,
)
_USUAL_FAST_HZ = (1000, 1024, 1200, 1500, 2000, 2048, 4000)


def usual_rate(rate_hz: float, tolerance: float = 0.008) -> float:
    """The nearest usual rate if one is within the tolerance, else the rate to three digits."""
    nearest = min((*_USUAL_HZ, *_USUAL_FAST_HZ), key=lambda usual: abs(usual / rate_hz - 1))
    if abs(nearest / rate_hz - 1) <= tolerance:
        return float(nearest)
    return float(f"{rate_hz:.3g}") if rate_hz < 1000 else round(rate_hz)

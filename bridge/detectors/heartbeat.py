"""Heartbeats from an ECG: R peaks, RR intervals, heart rate and its variability.

Streaming and causal. The ECG's 8-20 Hz part, where a QRS complex stands out most from P and T waves (Elgendi,
Jonkman & De Boer 2010, from memory), gives a short-time amplitude; its peaks are compared with a threshold
between the levels of the last beats and of the peaks in between. Refractory period, T-wave rule and
search-back are those of Pan & Tompkins 1985, the running medians those of Hamilton & Tompkins 1986 (from
memory). The R peak itself is looked for in a wider band, the filters' delay taken off.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from math import sqrt
from statistics import fmean, median
from typing import Any

import numpy as np

from bridge.detectors.protocol import DetectorType, SettingsError, Trace, settings_from
from bridge.detectors.variability import Variability
from bridge.signals.filters import CausalFilter, SamplingRateError, design_band
from bridge.signals.types import Block, Channel, Detection, Event, Level, Samples

LEAST_RATE_HZ = 90.0
WIDE_HZ = (3.0, 35.0)  # where the R peak is placed: above the wander, below the mains
NARROW_HZ = (8.0, 20.0)
SMOOTHING_HZ = 6.0
MAINS_HZ = (50.0, 60.0)
MAINS_QUALITY = 8.0  # wide enough for a mains and a board's clock that are a few per cent off
APART_S = 0.1  # a peak is the largest value within so much on both sides
REFRACTORY_S = 0.23  # 220 beats a minute are 273 ms apart
T_WAVE_S = 0.36  # Pan & Tompkins 1985
REFINE_S = 0.07
SETTLE_S = 0.3
MEMORY_S = 5.0
LEARNING_S = 2.0
RECENT_BEATS = 8
FRACTION = 0.3  # threshold, as a fraction of the way from the noise's level to the beats'
MISSED = 1.5  # search-back after so many RR intervals without a beat
LOST_S = 2.1  # the slowest rate, 30 a minute, is one beat in 2 s
CHUNK = 8192
SHORT = 24  # blocks below this go sample by sample


@dataclass(frozen=True, slots=True)
class HeartbeatSettings:
    """``slowest``/``fastest`` (1/min): beats further apart, or closer, than this are not looked for.

    ``averaged``: how many RR intervals the rate is the mean of.
    """

    slowest: float = 30.0
    fastest: float = 220.0
    averaged: int = 8

    def __post_init__(self) -> None:
        if not 20 <= self.slowest < self.fastest <= 250:
            raise SettingsError(
                "slowest and fastest must satisfy 20 <= slowest < fastest <= 250 beats a minute"
            )
        if not (isinstance(self.averaged, int) and 1 <= self.averaged <= 60):
            raise SettingsError("averaged must be a whole number of RR intervals from 1 to 60")


@dataclass(frozen=True, slots=True)
class Peak:
    """A candidate. ``value``: short-time amplitude in the narrow band; ``index``: where that peaks."""

    index: int
    value: float


@lru_cache(maxsize=16)
def delays(rate_hz: float) -> tuple[int, int]:
    """Samples from an R peak to its peak in the wide band, and to the peak of the amplitude.

    Measured on a model R wave: a Gaussian of 12 ms standard deviation (a QRS of about 80 ms).
    """
    n = round(rate_hz)
    wave = np.exp(-0.5 * ((np.arange(2 * n) - n) / (0.012 * rate_hz)) ** 2)
    wide, narrow, smooth = (CausalFilter(sos) for sos in _bands(rate_hz))
    y = wide.process(wave)
    z = narrow.process(y)
    return int(np.argmax(y)) - n, int(np.argmax(smooth.process(z * z))) - n


@lru_cache(maxsize=16)
def _bands(rate_hz: float) -> tuple[Samples, Samples, Samples]:
    if rate_hz < LEAST_RATE_HZ:
        raise SamplingRateError(f"an ECG needs a sampling rate of 100 Hz or more, not {rate_hz:g} Hz")
    return (
        design_band(rate_hz, *WIDE_HZ, notch_hz=MAINS_HZ, notch_quality=MAINS_QUALITY),
        design_band(rate_hz, *NARROW_HZ),
        design_band(rate_hz, high_hz=SMOOTHING_HZ),
    )


class HeartbeatDetector:
    """See the module's text; the contract is ``bridge.detectors.protocol.Detector``.

    An event's values: ``rate`` (1/min, from the mean of the last ``averaged`` RR intervals), ``rr_ms`` (the
    interval that this beat ends; not there on the first beat after a gap), ``amplitude`` (of the R peak from
    3 to 35 Hz, in the channel's unit) and, over the last minute, ``sdnn_ms``, ``rmssd_ms``, ``pnn50``.
    """

    def __init__(
        self, name: str, channels: Sequence[Channel], rate_hz: float, settings: HeartbeatSettings
    ) -> None:
        """Raises SamplingRateError where the rate cannot carry the band."""
        self.name = name
        self.rate_hz = rate_hz
        self._channel = channels[0].name
        self._settings = settings
        bands = _bands(rate_hz)
        self._wide, self._narrow, self._smooth = (CausalFilter(sos) for sos in bands)
        self._wide_delay, self._delay = delays(rate_hz)
        self._apart = max(2, round(APART_S * rate_hz))
        self._refine = max(2, round(REFINE_S * rate_hz))
        self._refractory = round(min(REFRACTORY_S, 54 / settings.fastest) * rate_hz)
        self._keep = self._apart + self._delay + self._refine + round(1.0 * rate_hz)
        self._wide_past: Samples = np.zeros(self._keep + 4 * CHUNK)
        self._energy_past: Samples = np.zeros(self._keep + 4 * CHUNK)
        self._trace: Trace | None = None
        self.reset()

    @property
    def settings(self) -> HeartbeatSettings:
        return self._settings

    @property
    def trace(self) -> Trace | None:
        return self._trace

    def reset(self) -> None:
        self._expected: int | None = None
        self._values: deque[float] = deque(maxlen=RECENT_BEATS)
        self._noise: deque[float] = deque(maxlen=RECENT_BEATS)
        self._intervals: deque[float] = deque(maxlen=max(RECENT_BEATS, self._settings.averaged))
        self._polarity = 0.0
        self._variability = Variability()
        self._learned = False
        self._trace = None
        self._restart(0)

    def _restart(self, first: int) -> None:
        """A gap: filters start anew, what was learnt of the levels stays."""
        for item in (self._wide, self._narrow, self._smooth):
            item.reset()
        self._start = first  # index of the first sample of this stretch
        self._filled = 0  # samples of it in the buffers
        self._buffer_first = first  # index of the sample at the buffers' start
        self._peaks: deque[Peak] = deque()  # of the last MEMORY_S
        self._beat: Peak | None = None
        self._r_index: int | None = None
        self._deadline: int | None = None

    def flush(self) -> list[Detection]:
        return []

    def process(self, block: Block) -> list[Detection]:
        found: list[Detection] = []
        x = block.samples[:, 0]
        if x.shape[0] == 0:
            return found
        out = np.full(len(x), np.nan)
        if block.first != self._expected:
            self._restart(block.first)
        finite = np.isfinite(x)
        if finite.all():
            self._run(x, block.first, found, out)
        else:
            edges = np.flatnonzero(np.diff(finite)) + 1
            starts = [0, *edges.tolist(), len(x)]
            for start, stop in pairwise(starts):
                if finite[start]:
                    self._run(x[start:stop], block.first + start, found, out[start:stop])
                else:
                    self._restart(block.first + stop)
        self._expected = block.end
        level = np.full(len(x), self._threshold() if self._learned else np.nan)
        self._trace = Trace(block.first, out, level, np.full(len(x), np.nan))
        return found

    def _run(self, x: Samples, first: int, found: list[Detection], out: Samples) -> None:
        """Finite samples in a row."""
        for start in range(0, len(x), CHUNK):
            part = x[start : start + CHUNK]
            wide = self._wide.process(part)
            narrow = self._narrow.process(wide)
            energy = self._smooth.process(narrow * narrow)
            out[start : start + CHUNK] = np.sqrt(np.maximum(energy, 0.0))
            self._store(wide, energy)
            end = first + start + len(part)
            for index in self._dominant(len(part)):
                self._decide(index, end, found)
            self._advance(end, found)

    def _store(self, wide: Samples, energy: Samples) -> None:
        n = len(wide)
        if self._filled + n > len(self._wide_past):
            keep = min(self._filled, self._keep)
            for past in (self._wide_past, self._energy_past):
                past[:keep] = past[self._filled - keep : self._filled].copy()
            self._buffer_first += self._filled - keep
            self._filled = keep
        self._wide_past[self._filled : self._filled + n] = wide
        self._energy_past[self._filled : self._filled + n] = energy
        self._filled += n

    def _dominant(self, n: int) -> list[int]:
        """Indices of the peaks that the last ``n`` samples decide, in order.

        Larger than all within APART_S before, not smaller than all within APART_S after.
        """
        apart, past = self._apart, self._energy_past
        first = max(apart, self._filled - n - apart)  # positions in the buffer
        if n < SHORT:
            peaks = []
            for at in range(first, self._filled - apart):
                value = past[at]
                if (
                    value > past[at - 1]
                    and value >= past[at + 1]
                    and value > past[at - apart : at].max()
                    and value >= past[at + 1 : at + apart + 1].max()
                ):
                    peaks.append(at + self._buffer_first)
            return peaks
        from scipy.ndimage import maximum_filter1d

        last = self._filled - apart
        if last <= first:
            return []
        part = past[first - apart : self._filled]
        largest = maximum_filter1d(part, 2 * apart + 1)[apart : apart + last - first]
        ats = np.flatnonzero(part[apart : apart + last - first] == largest) + first
        return [at + self._buffer_first for at in ats.tolist() if past[at] > past[at - apart : at].max()]

    def _advance(self, end: int, found: list[Detection]) -> None:
        """All samples before index ``end`` were seen: is a search-back due?"""
        while self._deadline is not None and self._deadline < end:
            self._search_back(self._deadline, found)

    def _threshold(self) -> float:
        beats = median(self._values)
        noise = min(median(self._noise), beats) if self._noise else 0.0
        level = noise + FRACTION * (beats - noise)
        if len(self._values) >= 2:  # two large beats in a row are a step of the amplitude
            level = max(level, FRACTION * min(self._values[-1], self._values[-2]))
        return level

    def _decide(self, index: int, end: int, found: list[Detection]) -> None:
        decided = index + self._apart
        self._advance(decided, found)
        if index - self._start < SETTLE_S * self.rate_hz:
            return
        peak = Peak(index, sqrt(self._energy_past[index - self._buffer_first]))
        if peak.value <= 0:
            return
        self._peaks.append(peak)
        while self._peaks[0].index < index - MEMORY_S * self.rate_hz:
            self._peaks.popleft()
        if not self._learned and not self._learn(decided):
            return
        last = self._beat
        if last is not None:
            since = index - last.index
            if since < self._refractory:
                return
            if since < T_WAVE_S * self.rate_hz and peak.value < 0.5 * last.value:
                return
        if peak.value > self._threshold():
            self._accept(peak, decided, found)
        else:
            self._noise.append(peak.value)

    def _learn(self, decided: int) -> bool:
        """Levels from the peaks of the last seconds; False while they do not look like beats."""
        if decided - self._start < LEARNING_S * self.rate_hz or len(self._peaks) < 3:
            return False
        ranked = sorted(peak.value for peak in self._peaks)
        limit = 0.4 * ranked[-2]
        beats = [peak.value for peak in self._peaks if peak.value >= limit]
        if len(beats) < 2:
            return False
        self._values.clear()
        self._values.extend(beats[-RECENT_BEATS:])
        self._noise.clear()
        self._noise.extend([peak.value for peak in self._peaks if peak.value < limit][-RECENT_BEATS:])
        self._learned = True
        return True

    def _search_back(self, now: int, found: list[Detection]) -> None:
        last = self._beat
        assert last is not None
        limit = 0.5 * self._threshold()
        missed = [
            peak
            for peak in self._peaks
            if peak.index > last.index + T_WAVE_S * self.rate_hz and peak.value > limit
        ]
        if missed:
            best = max(missed, key=lambda peak: peak.value)
            self._accept(best, now, found, searched=True)
        elif now - last.index >= LOST_S * self.rate_hz:
            self._learned = False  # the amplitude has changed
            self._beat = self._r_index = self._deadline = None
        else:
            self._deadline = last.index + round(LOST_S * self.rate_hz)

    def _accept(self, peak: Peak, decided: int, found: list[Detection], searched: bool = False) -> None:
        r_index, amplitude = self._place(peak)
        values = {"amplitude": amplitude}
        if self._r_index is not None:
            rr_ms = (r_index - self._r_index) / self.rate_hz * 1000
            self._intervals.append(rr_ms)
            values["rr_ms"] = rr_ms
            self._variability.add(r_index / self.rate_hz, rr_ms)
        else:
            self._variability.interrupt()
        self._values.append(peak.value)
        self._beat, self._r_index = peak, r_index
        usual_ms = median(list(self._intervals)[-RECENT_BEATS:]) if self._intervals else 1000.0
        wait = min(round(MISSED * usual_ms / 1000 * self.rate_hz), round(LOST_S * self.rate_hz))
        self._deadline = max(decided + 1, peak.index + wait + self._apart)
        if not self._intervals:
            return
        rate = 60000 / fmean(list(self._intervals)[-self._settings.averaged :])
        values["rate"] = rate
        figures = self._variability.figures
        if figures is not None:
            values.update(sdnn_ms=figures.sdnn_ms, rmssd_ms=figures.rmssd_ms, pnn50=figures.pnn50)
        known_s = decided / self.rate_hz
        note = "found by looking back" if searched else ""
        found.append(
            Event(
                "heartbeat",
                "instant",
                r_index / self.rate_hz,
                known_s,
                self._channel,
                values,
                1.0,
                self.name,
                note,
            )
        )
        found.append(Level("heart-rate", known_s, rate, self._channel, self.name))

    def _place(self, peak: Peak) -> tuple[int, float]:
        """Index of the R peak and its height; on the side (up or down) where R usually is."""
        centre = peak.index - self._delay + self._wide_delay - self._buffer_first
        low = max(0, centre - self._refine)
        window = self._wide_past[low : centre + self._refine + 1]
        up, down = int(np.argmax(window)), int(np.argmin(window))
        height, depth = float(window[up]), -float(window[down])
        total = height + depth
        side = (height - depth) / total if total > 0 else 0.0
        self._polarity += 0.2 * (side - self._polarity)
        upwards = side > 0 if abs(side) > 0.3 else self._polarity >= 0
        at = up if upwards else down
        index = low + at + self._buffer_first - self._wide_delay
        least = self._start if self._r_index is None else self._r_index + 1
        return max(index, least), height if upwards else depth


def create(
    name: str, channels: Sequence[Channel], rate_hz: float, settings: Mapping[str, Any]
) -> HeartbeatDetector:
    """A heartbeat detector. Raises SettingsError, or SamplingRateError below 90 Hz."""
    return HeartbeatDetector(name, channels, rate_hz, settings_from(HeartbeatSettings, settings))


TYPE = DetectorType(
    name="heartbeat",
    kinds=("ecg",),
    events=("heartbeat",),
    levels=("heart-rate",),
    many_channels=False,
    latency_s=0.4,
    version=1,
    settings=HeartbeatSettings,
    create=create,
)

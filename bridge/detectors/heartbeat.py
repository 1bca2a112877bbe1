"""Heartbeats from an ECG: R peaks, RR intervals, heart rate and its variability.

Streaming and causal. Peaks of the QRS band's short-time amplitude are compared with a threshold between the
levels of the last beats and of the peaks between them. Refractory period, T-wave rule and search-back are
those of Pan & Tompkins 1985, running medians as levels those of Hamilton & Tompkins 1986 (from memory).
Beyond them:

- heartbeats look alike and noise does not: until the largest peaks of the last seconds resemble one another
  nothing is told, and nothing when the last beats no longer do;
- the noisier the signal, the more a peak's likeness to the last beats counts beside its size;
- a peak far larger than the beats counts only when it has their shape.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import nan
from statistics import fmean
from typing import Any, Final

import numpy as np

from bridge.detectors.kinds import AS_THE_CHANNEL, EventType, LevelType, Quantity
from bridge.detectors.protocol import DetectorType, SettingsError, Trace, settings_from
from bridge.detectors.qrs import NARROW_HZ, WIDE_HZ, QrsFront, Shapes
from bridge.detectors.variability import Variability
from bridge.signals.robust import middle
from bridge.signals.types import Block, Channel, Detection, Event, Level, Samples

REFRACTORY_S: Final = 0.23  # 220 beats a minute are 273 ms apart
T_WAVE_S: Final = 0.36  # Pan & Tompkins 1985
T_WAVE_SHARE: Final = 0.5
SETTLE_S: Final = 0.3  # after the filters were seeded
MEMORY_S: Final = 5.0
LEARNING_S: Final = 2.0
RETRY_S: Final = 0.5
RECENT_BEATS: Final = 8
RECENT_SHAPES: Final = 16  # ectopic beats among them find their like
FRACTION: Final = 0.3  # threshold, as a fraction of the way from the noise's level to the beats'
SEARCH_FRACTION: Final = 0.15
MISSED: Final = 1.5  # search-back after so many RR intervals without a beat
LIKE: Final = 0.7  # correlation from which beats look alike; that of noise peaks is below 0.55 at the median
UNLIKE: Final = 0.6
FEW_LIKE: Final = 0.85  # where only two or three peaks are there to compare
QUIET: Final = 0.1  # noise level over beat level below which a strange shape does not count against a peak
NOISE_SPAN: Final = 0.3
CALM: Final = 0.15  # the same for the median amplitude of the last UNREST_S, where noise has just begun
UNREST_SPAN: Final = 0.15
UNREST_S: Final = 0.75
SHAPE_WEIGHT: Final = 0.8
STRANGE: Final = 0.3
ALIKE: Final = 0.8
LIKE_BONUS: Final = 0.3
OUTLIER: Final = 3.0
# a billionth of a volt, or a millionth of a count: what rounding leaves of a flat line
SMALLEST: Final = 1e-6
LARGEST: Final = 1e15  # what lies beyond is no measurement, and its square would stay in the filters for ever
# A wave before a beat may stand as high as half of it (P waves of record 108, whose QRS is slow), so a peak
# below this share of the usual is a beat only when none that is larger follows within WAIT_S.
SMALL: Final = 0.7
WAIT_S: Final = 0.25
LARGER: Final = 1.25
OUTLIERS: Final = 3  # so many alike are no artefacts: what was taken for beats are the waves between them
HUM_SHARE: Final = 0.02  # of the mains taken off; what is left of it there wanders by more
SURE: Final = 0.9  # likeness that makes a beat of a peak of any size, when one is overdue


@dataclass(frozen=True, slots=True)
class HeartbeatSettings:
    """``slowest``/``fastest`` (1/min): heart rates outside are not looked for.

    ``averaged``: how many RR intervals the rate is the mean of.
    """

    slowest: float = 30.0
    fastest: float = 220.0
    averaged: int = 8

    def __post_init__(self) -> None:
        if not 20 <= self.slowest < self.fastest <= 250:
            raise SettingsError("slowest and fastest must satisfy 20 <= slowest < fastest <= 250 (1/min)")
        if not (isinstance(self.averaged, int) and 1 <= self.averaged <= 60):
            raise SettingsError("averaged must be a whole number of RR intervals from 1 to 60")


@dataclass(frozen=True, slots=True, eq=False)
class Beat:
    """A peak of the short-time amplitude ``value`` at ``index``, and what the wide band shows there."""

    index: int
    value: float
    r_index: int
    height: float
    side: float
    shape: Samples | None


class HeartbeatDetector:
    """See the module's text; the contract is ``bridge.detectors.protocol.Detector``.

    An event's values: ``rate`` (1/min, 60000 over the mean of the last ``averaged`` RR intervals), ``rr_ms``
    (the interval that this beat ends; not there on the first beat after a gap), ``amplitude`` (height of R
    within 3-35 Hz, in the channel's unit) and, once a minute has passed, ``sdnn_ms``, ``rmssd_ms``, ``pnn50``
    of the last minute. The level ``heart-variability`` is that RMSSD (ms). ``confidence`` is the beat's
    likeness to those before it. Beats found by search-back
    say so in ``note`` and come later than the declared latency.
    """

    def __init__(
        self, name: str, channels: Sequence[Channel], rate_hz: float, settings: HeartbeatSettings
    ) -> None:
        """Raises SamplingRateError where the rate cannot carry the band."""
        self.name = name
        self.rate_hz = rate_hz
        self._channel = channels[0].name
        self._settings = settings
        self._front = QrsFront(rate_hz)
        self._refractory = round(min(REFRACTORY_S, 0.85 * 60 / settings.fastest) * rate_hz)
        self._lost = round(1.05 * 60 / settings.slowest * rate_hz)
        self._unrest = round(UNREST_S * rate_hz)
        self._wait = round(WAIT_S * rate_hz)
        self._view: tuple[int, list[float]] | None = None
        self.reset()

    @property
    def settings(self) -> HeartbeatSettings:
        return self._settings

    @property
    def trace(self) -> Trace | None:
        if self._view is None:
            return None
        first, energy = self._view
        upper = self._threshold(FRACTION, self._noise_level()) if self._learned else np.nan
        amplitude = np.sqrt(np.maximum(energy, 0.0))
        return Trace(first, amplitude, np.full(len(energy), upper), np.full(len(energy), np.nan))

    def reset(self) -> None:
        self._front.reset()
        self._values: deque[float] = deque(maxlen=RECENT_BEATS)
        self._noise: deque[float] = deque(maxlen=RECENT_BEATS)
        self._shapes = Shapes(RECENT_SHAPES)
        self._likeness: deque[float] = deque(maxlen=RECENT_BEATS)
        self._intervals: deque[float] = deque(maxlen=max(RECENT_BEATS, self._settings.averaged))
        self._polarity = 0.0
        self._variability = Variability()
        self._learned = False
        self._expected: int | None = None
        self._final = 0.0
        self._view = None
        self._restart(0)

    def _restart(self, first: int) -> None:
        """A gap: filters start anew, what was learnt of the beats stays."""
        self._front.restart(first)
        self._start = first  # index of the first sample of this stretch
        self._peaks: deque[tuple[int, float]] = deque()  # index and amplitude, of the last MEMORY_S
        self._last: Beat | None = None
        self._calm = 0.0  # level of the noise when the last beat was found
        self._held_until = first
        self._held: tuple[Beat, float] | None = None  # small, and perhaps the wave before a beat
        self._outliers: deque[Beat] = deque(maxlen=RECENT_SHAPES)
        self._grown = False  # was the last beat far larger than those before?
        self._small = False  # was the last overdue beat one that only its shape made a beat?
        self._retry = 0
        self._deadline = first + self._lost

    def flush(self) -> list[Detection]:
        """The stream has ended: tell a beat that the last samples hold, as if the last value stayed."""
        found: list[Detection] = []
        end = self._expected
        if end is not None and end > self._start:
            for _ in range(2 * self._front.apart):
                peak, _ = self._front.step(self._final)
                if peak is not None and self._front.place(peak, self._polarity)[0] < end:
                    self._decide(peak, end - 1, found)
            if self._held is not None:
                held, self._held = self._held, None
                self._accept(*held, end - 1, found)
        self._expected = None
        return found

    def process(self, block: Block) -> list[Detection]:
        """Samples of shape (n, 1)."""
        found: list[Detection] = []
        if len(block) == 0:
            return found
        if block.first != self._expected:
            self._restart(block.first)
        row = block.row
        values: list[float] = [row[0]] if row is not None else block.samples[:, 0].tolist()
        energies: list[float] = []
        index = block.first
        for value in values:
            if abs(value) < LARGEST:  # not so where it is no number
                energies.append(self._take(value, index, found))
            else:
                energies.append(nan)
                self._restart(index + 1)
            index += 1
        self._expected = index
        self._final = values[-1]
        self._view = (block.first, energies)
        return found

    def _take(self, value: float, index: int, found: list[Detection]) -> float:
        """A usable sample; returns the short-time energy."""
        peak, energy = self._front.step(value)
        if peak is not None:
            self._advance(index, found)
            self._decide(peak, index, found)
        self._advance(index + 1, found)
        return energy

    def _advance(self, end: int, found: list[Detection]) -> None:
        """All samples before index ``end`` were seen: what was due?"""
        while True:
            if self._held is not None and self._held_until <= self._deadline:
                if self._held_until >= end:
                    return
                self._let_go(self._held_until, found)
            elif self._deadline < end:
                self._search_back(self._deadline, found)
            else:
                return

    def _noise_level(self) -> float:
        return min(middle(self._noise), middle(self._values)) if self._noise else 0.0

    def _threshold(self, fraction: float, noise: float) -> float:
        level = noise + fraction * (middle(self._values) - noise)
        if len(self._values) >= 2:  # two large beats in a row: the amplitude has stepped up
            level = max(level, fraction * min(self._values[-1], self._values[-2]))
        return level

    def _decide(self, index: int, decided: int, found: list[Detection]) -> None:
        if index - self._start < SETTLE_S * self.rate_hz:
            return
        value = self._front.amplitude(index)
        if value < SMALLEST:
            return
        self._peaks.append((index, value))
        while self._peaks[0][0] < index - MEMORY_S * self.rate_hz:
            self._peaks.popleft()
        if not self._learned and not self._learn(decided):
            return
        last = self._last
        if last is not None and self._too_soon(index, value, last):
            if index - last.index < self._refractory and value > LARGER * last.value:
                self._was_before(last, self._beat(index, value))
            return
        noise = self._noise_level()
        threshold = self._threshold(FRACTION, noise)
        if value * (1.0 + LIKE_BONUS) > threshold:
            beat = self._beat(index, value)
            if beat.height < HUM_SHARE * self._front.hum(decided):
                return
            likeness = self._likeness_of(beat)
            if value > OUTLIER * max(self._values):
                self._large(beat, likeness, decided, found)
                return
            unrest = self._front.unrest(index, self._unrest)
            if value * self._weight(likeness, noise, unrest) > threshold:
                held = self._held
                if held is not None:
                    self._held = None
                    if value <= held[0].value:  # two small ones: the first stands
                        self._accept(*held, decided, found)
                        if not self._learned or self._too_soon(index, value, held[0]):
                            return
                usual = middle(self._values)
                if value < usual and value * min(1.0, likeness / LIKE) < SMALL * usual:
                    self._held, self._held_until = (beat, likeness), index + self._wait
                else:
                    self._accept(beat, likeness, decided, found)
                return
        self._noise.append(value)

    def _let_go(self, at: int, found: list[Detection]) -> None:
        """A beat that was held back has waited until index ``at``."""
        held = self._held
        if held is None:
            return
        beat, likeness = held
        coming = self._front.largest(beat.index + self._front.apart, at + 1) > SMALL * beat.value
        if coming and at == beat.index + self._wait:
            self._held_until = at + self._wait
            return
        self._held = None
        self._accept(beat, likeness, at, found)

    def _was_before(self, wave: Beat, beat: Beat) -> None:
        """What was told as a beat was the wave before it: learn from the beat instead."""
        if self._values and self._values[-1] == wave.value:
            self._values[-1] = beat.value
            if beat.shape is not None:
                self._shapes.replace(beat.shape)

    def _large(self, beat: Beat, likeness: float, decided: int, found: list[Detection]) -> None:
        """A peak far larger than the beats: one of them, another kind of beat, or an artefact.

        The amplitude has stepped up when two in a row have the beats' shape. One that is like an earlier one
        of its kind is an ectopic beat and says nothing of the size of the others. Many alike within seconds,
        none of them like the beats, are the heart: what was taken for beats are the waves between.
        """
        before = self._outliers
        again = [item for item in before if self._alike(item, beat)]
        if likeness >= LIKE:
            if self._grown:
                self._rescale(beat.value)
                self._accept(beat, likeness, decided, found)
                return
            self._accept(beat, likeness, decided, found, sized=False)
            self._grown = True
            return
        before.append(beat)
        recent = [item for item in again if decided - item.index < MEMORY_S * self.rate_hz]
        if len(recent) >= OUTLIERS - 1:
            before.clear()
            self._retry = 0
            self._learn(decided)
        elif again:
            self._accept(beat, likeness, decided, found, sized=False)

    def _alike(self, one: Beat, other: Beat) -> bool:
        if one.shape is None or other.shape is None or not 0.5 < one.value / other.value < 2.0:
            return False
        return float(np.dot(one.shape, other.shape)) > SURE

    def _too_soon(self, index: int, value: float, last: Beat) -> bool:
        """Within the refractory period, or a T wave."""
        since = index - last.index
        return since < self._refractory or (
            since < T_WAVE_S * self.rate_hz and value < T_WAVE_SHARE * last.value
        )

    def _beat(self, index: int, value: float) -> Beat:
        r_index, height, side = self._front.place(index, self._polarity)
        return Beat(index, value, r_index, height, side, self._front.shape(r_index))

    def _likeness_of(self, beat: Beat) -> float:
        """Second-best correlation with the last beats: a single look-alike may be chance."""
        if beat.shape is None or not len(self._shapes):
            return 0.0
        alike = sorted(self._shapes.likeness(beat.shape))
        return alike[-2] if len(alike) > 1 else alike[0]

    def _weight(self, likeness: float, noise: float, unrest: float = 0.0) -> float:
        """What a peak's size is multiplied by: more for a look-alike, less for a strange one amid noise."""
        if likeness > ALIKE:
            return 1.0 + LIKE_BONUS * (likeness - ALIKE) / (1.0 - ALIKE)
        beats = middle(self._values)
        noisy = max((noise / beats - QUIET) / NOISE_SPAN, (unrest / beats - CALM) / UNREST_SPAN)
        share = SHAPE_WEIGHT * min(1.0, max(0.0, noisy))
        return 1.0 - share * min(1.0, max(0.0, (ALIKE - likeness) / (ALIKE - STRANGE)))

    def _rescale(self, value: float) -> None:
        """The amplitude has stepped: ``value`` is what a beat has now."""
        factor = value / middle(self._values)
        self._values.clear()
        self._values.append(value)
        noise = [factor * item for item in self._noise]
        self._noise.clear()
        self._noise.extend(noise)

    def _learn(self, decided: int) -> bool:
        """Levels and shapes from the largest peaks of the last seconds, if those look alike."""
        if decided - self._start < LEARNING_S * self.rate_hz or decided < self._retry:
            return False
        self._retry = decided + round(RETRY_S * self.rate_hz)
        ranked = sorted(value for _, value in self._peaks)
        if len(ranked) < 2:
            return False
        limit = 0.4 * ranked[-2]
        beats: list[Beat] = []
        for index, value in self._peaks:
            if value < limit:
                continue
            if beats and self._too_soon(index, value, beats[-1]):
                if index - beats[-1].index < self._refractory and value > LARGER * beats[-1].value:
                    beats[-1] = self._beat(index, value)
                continue
            beats.append(self._beat(index, value))
        if middle([beat.height for beat in beats]) < HUM_SHARE * self._front.hum(decided):
            return False
        alike = _likenesses([beat.shape for beat in beats if beat.shape is not None])
        if len(alike) < 2 or middle(alike) < (LIKE if len(alike) > 3 else FEW_LIKE):
            return False
        self._shapes.clear()
        for kept in (self._values, self._noise, self._likeness):
            kept.clear()
        self._values.extend(beat.value for beat in beats)
        for beat in beats:
            if beat.shape is not None:
                self._shapes.add(beat.shape)
        self._noise.extend(value for _, value in self._peaks if value < limit)
        self._likeness.extend(alike)
        self._learned = True
        self._deadline = decided + self._lost
        return True

    def _search_back(self, now: int, found: list[Detection]) -> None:
        last = self._last
        if not self._learned:
            self._deadline = now + self._lost
            return
        if self._held is not None:
            self._deadline = now + self._wait
            return
        if last is not None:
            coming = self._front.largest(now - self._front.apart + 1, now + 1)
            if coming > self._threshold(FRACTION, self._noise_level()) and now < last.index + self._lost:
                self._deadline = now + self._front.apart // 2  # a beat is just arriving, not missed
                return
            missed = self._missed(last)
            if missed is not None:
                beat, likeness = missed
                self._accept(beat, likeness, now, found, searched=True)
                return
            if now < last.index + self._lost:
                self._deadline = last.index + self._lost
                return
        # Nothing for longer than the slowest heart: the amplitude has changed, or the electrode is off.
        self._last = None
        self._deadline = now + self._lost
        since = now - self._lost
        while self._peaks and self._peaks[0][0] < since:
            self._peaks.popleft()
        self._learned = False
        self._retry = 0

    def _missed(self, last: Beat) -> tuple[Beat, float] | None:
        """The most beat-like of the peaks since the last beat, if one is."""
        earliest = last.index + T_WAVE_S * self.rate_hz
        limit = self._threshold(SEARCH_FRACTION, self._calm)
        best: tuple[float, Beat, float] | None = None
        for index, value in self._peaks:
            if index <= earliest:
                continue
            beat = self._beat(index, value)
            likeness = self._likeness_of(beat)
            if value > OUTLIER * max(self._values) and likeness < LIKE:
                continue
            score = value * self._weight(likeness, self._calm)
            if (score > limit or likeness > SURE) and (best is None or score > best[0]):
                best = score, beat, likeness
        if best is None:
            return None
        score, beat, likeness = best
        if score <= limit:  # twice in a row: the amplitude has stepped down
            if self._small:
                self._rescale(beat.value)
            self._small = not self._small
        else:
            self._small = False
        return beat, likeness

    def _accept(
        self,
        beat: Beat,
        likeness: float,
        decided: int,
        found: list[Detection],
        searched: bool = False,
        sized: bool = True,
    ) -> None:
        """``sized``: does it say how large beats are?"""
        last = self._last
        self._small &= searched
        if not searched:
            self._calm = self._noise_level()
        elif beat.value in self._noise:
            self._noise.remove(beat.value)
        rr_ms = None
        if last is not None:
            if beat.r_index <= last.r_index:
                return
            rr_ms = (beat.r_index - last.r_index) / self.rate_hz * 1000
            self._intervals.append(rr_ms)
            self._variability.add(beat.r_index / self.rate_hz, rr_ms)
        else:
            self._variability.interrupt()
        self._last = beat
        if likeness >= LIKE:
            self._polarity += 0.2 * (beat.side - self._polarity)
        self._grown = False
        if sized:
            self._values.append(beat.value)
            if beat.shape is not None:
                self._shapes.add(beat.shape)
            self._likeness.append(likeness)
        usual_ms = middle(list(self._intervals)[-RECENT_BEATS:]) if self._intervals else 1000.0
        wait = min(round(MISSED * usual_ms / 1000 * self.rate_hz), self._lost)
        self._deadline = max(decided + 1, beat.index + wait + self._front.apart)
        if self._intervals:
            self._tell(beat, likeness, rr_ms, decided, searched, found)
        if self._unlike():
            self._learned = False
            self._retry = 0

    def _unlike(self) -> bool:
        """Do the last beats no longer look like beats? Ectopic ones among normal ones still do."""
        if len(self._likeness) < RECENT_BEATS:
            return False
        return middle(self._likeness) < UNLIKE and sorted(self._likeness)[-3] < LIKE

    def _tell(
        self,
        beat: Beat,
        likeness: float,
        rr_ms: float | None,
        decided: int,
        searched: bool,
        found: list[Detection],
    ) -> None:
        rate = 60000 / fmean(list(self._intervals)[-self._settings.averaged :])
        values = {"rate": rate, "amplitude": beat.height}
        if rr_ms is not None:
            values["rr_ms"] = rr_ms
        figures = self._variability.figures
        if figures is not None:
            values.update(sdnn_ms=figures.sdnn_ms, rmssd_ms=figures.rmssd_ms, pnn50=figures.pnn50)
        onset_s, decided_s = beat.r_index / self.rate_hz, decided / self.rate_hz
        confidence = round(min(1.0, max(0.0, likeness)), 2)
        note = "found by looking back" if searched else ""
        found.append(
            Event(
                "heartbeat",
                "instant",
                onset_s,
                decided_s,
                self._channel,
                values,
                confidence,
                self.name,
                note,
            )
        )
        found.append(Level("heart-rate", decided_s, rate, self._channel, self.name))
        if figures is not None:
            found.append(Level("heart-variability", decided_s, figures.rmssd_ms, self._channel, self.name))


def _likenesses(shapes: Sequence[Samples]) -> list[float]:
    """For each shape its second-best correlation with the others (the best where there are two or three)."""
    if len(shapes) < 2:
        return []
    rank = 2 if len(shapes) > 3 else 1
    return [
        sorted(float(np.dot(shape, other)) for other in shapes if other is not shape)[-rank]
        for shape in shapes
    ]


def create(
    name: str, channels: Sequence[Channel], rate_hz: float, settings: Mapping[str, Any]
) -> HeartbeatDetector:
    """A heartbeat detector. Raises SettingsError, or SamplingRateError below 90 Hz."""
    return HeartbeatDetector(name, channels, rate_hz, settings_from(HeartbeatSettings, settings))


_HEARTBEAT: Final = EventType(
    "heartbeat",
    "a heartbeat",
    values={
        "amplitude": Quantity("height of the R peak", AS_THE_CHANNEL),
        "rr_ms": Quantity("RR interval, the time since the R peak before", "ms"),
        "rate": Quantity("heart rate over the last RR intervals", "1/min"),
        "sdnn_ms": Quantity("standard deviation of the recent RR intervals", "ms"),
        "rmssd_ms": Quantity("root mean square of their successive differences", "ms"),
        "pnn50": Quantity("share of successive differences above 50 ms"),
    },
)
TYPE: DetectorType = DetectorType(
    name="heartbeat",
    kinds=("ecg",),
    events=(_HEARTBEAT,),
    levels=(
        LevelType("heart-rate", hysteresis=3.0, unit="a minute", lowest=0.0),
        LevelType("heart-variability", hysteresis=5.0, unit="ms"),
    ),
    many_channels=False,
    latency_s=1.9,  # by search-back; else below 0.4
    version=1,
    settings=HeartbeatSettings,
    make=create,
    longest_bridge_s=0.1,
    most_in_10_s=45,
    filters="band-passes {:g} to {:g} Hz and {:g} to {:g} Hz, mains notches".format(*WIDE_HZ, *NARROW_HZ),
)

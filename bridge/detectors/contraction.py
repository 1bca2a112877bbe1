"""Muscle contraction from surface EMG: start, end and level, from one electrode pair or many.

Many electrodes feed one detector: their logarithmic amplitudes are averaged (a geometric mean), so that an
electrode's own gain does not matter and an artefact under a single electrode counts little.

The decision works on one number a sample, the median of the log amplitude over the last 100 ms. A rank
statistic is what an onset detector that asks for "r of m samples above" uses (Bonato et al. 1998, from
memory); it lets pass what lasts more than half its window and drops shorter spikes. Thresholds lie at
fractions of the way from the tracked resting level to the person's own usual contraction. The energy operator
(Kaiser; Solnik et al. 2008) places the onset.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import exp, log
from statistics import median
from typing import Any

import numpy as np

from bridge.detectors.muscle import EmgAmplitude, EnvelopeAmplitude, MuscleAmplitude
from bridge.detectors.protocol import DetectorType, SettingsError, Trace, settings_from
from bridge.signals.robust import RecentQuantile
from bridge.signals.types import Block, Channel, Detection, Edge, Event, Level, Samples

FAST_WINDOW_S = 0.06
STEEP_S = 0.12
STEEP_FRACTION = 0.2
WINDOW_S = 0.1  # rank filter: delay of half of it, within the 100-125 ms of Farrell & Weir 2007
LEARNING_S = 2.0  # rest is the lower fifth of this, so that it may hold a contraction
REST_RISE = 0.3  # 1/s, natural log: rest may double in 2.3 s
REST_FALL = 2.0  # 1/s
STILL_REST_FALL = 0.1  # 1/s while the signal does not move at all
USUAL_FADE = 0.02  # 1/s: after a minute without contraction a third of the usual one is enough
LEAST_RATIO = log(2.0)  # a contraction at least doubles the resting amplitude
SPREADS = 4.0  # and stands out of its fluctuation
LEAST_OFF_RATIO = log(1.4)
PULSE_S = 0.18  # a QRS complex lasts up to 120 ms (common practice), plus half the rank window
PULSE_MEMORY_S = 6.0
PULSES = 3  # so many short pulses within PULSE_MEMORY_S are heartbeats in the EMG
PULSE_MARGIN = 1.3
PULSE_RATIO = log(1.5)
LOOK_BACK_S = 0.25
ONSET_RATIO = log(1.4)
ONSET_DELAY_S = 0.008
LEVEL_S = 0.1  # time constant of the level


@dataclass(frozen=True, slots=True)
class ContractionSettings:
    """Amplitudes are in the channel's unit (RMS; the geometric mean where electrodes are many).

    ``rest``, ``usual`` (a comfortable contraction) and ``mvc`` (maximum voluntary contraction) come from a
    profile; without them they are learnt: rest from the first two seconds, ``usual`` as the median peak of
    the last five contractions, ``mvc`` as the largest level so far (ten times rest until more was seen).
    """

    on_fraction: float = 0.3  # start, as a fraction of the way from rest to the usual contraction
    off_fraction: float = 0.13  # end
    release_ms: float = 300.0  # so long below the end threshold before a contraction has ended
    shortest_ms: float = 0.0  # so long above the start threshold, beyond the rank filter's 50 ms
    longest_s: float = 60.0  # endurance at half of the maximum is about a minute (Rohmert, from memory)
    level_every_ms: float = 50.0
    rest: float | None = None
    usual: float | None = None
    mvc: float | None = None

    def __post_init__(self) -> None:
        if not 0 < self.off_fraction < self.on_fraction < 1:
            raise SettingsError(
                "off_fraction and on_fraction must satisfy 0 < off_fraction < on_fraction < 1"
            )
        if not 0 <= self.shortest_ms <= 1000:
            raise SettingsError("shortest_ms must lie between 0 and 1000 ms")
        if not (0 <= self.release_ms <= 5000 and self.longest_s >= 1 and self.level_every_ms > 0):
            raise SettingsError("release_ms must lie between 0 and 5000 ms, longest_s be 1 s or more")
        for name in ("rest", "usual", "mvc"):
            value = getattr(self, name)
            if value is not None and not (0 < value < np.inf):
                raise SettingsError(f"{name} must be an amplitude above 0, not {value!r}")
        if self.rest is not None and max(self.usual or np.inf, self.mvc or np.inf) <= self.rest:
            raise SettingsError("usual and mvc must be above rest")


@dataclass(frozen=True, slots=True)
class _Pulse:
    """A short rise over the start threshold: when (samples of quiet so far), how long, how high (log)."""

    at: int
    lasted_s: float
    height: float


class ContractionDetector:
    """See the module's text; the contract is ``bridge.detectors.protocol.Detector``."""

    def __init__(
        self, name: str, channels: Sequence[Channel], rate_hz: float, settings: ContractionSettings
    ) -> None:
        """Raises SamplingRateError where the rate cannot carry EMG (or its envelope)."""
        self.name = name
        self.rate_hz = rate_hz
        self._channel = "+".join(channel.name for channel in channels)
        self._settings = settings
        envelope = {channel.kind == "emg-envelope" for channel in channels}
        if len(envelope) > 1:
            raise SettingsError(
                "raw EMG and envelopes cannot feed one contraction detector: name the channels"
            )
        self._front_type = EnvelopeAmplitude if envelope.pop() else EmgAmplitude
        self._width = len(channels)
        self._window = max(3, round(WINDOW_S * rate_hz))
        self._fast_window = max(3, round(FAST_WINDOW_S * rate_hz))
        self._level_step = max(1, round(settings.level_every_ms / 1000 * rate_hz))
        self._trace: Trace | None = None
        self.reset()

    @property
    def settings(self) -> ContractionSettings:
        return self._settings

    @property
    def trace(self) -> Trace | None:
        return self._trace

    def reset(self) -> None:
        settings = self._settings
        self._expected: int | None = None
        self._rest: float | None = log(settings.rest) if settings.rest else None
        self._usual: float | None = log(settings.usual) if settings.usual else None
        self._spread = 0.1
        self._learning: list[float] = []
        self._peaks: deque[float] = deque(maxlen=5)
        self._pulses: deque[_Pulse] = deque()
        self._quiet_samples = 0  # outside contractions
        self._largest = 0.0
        self._trace = None
        self._front: MuscleAmplitude = self._front_type(self._width, self.rate_hz)
        self._restart()

    def _restart(self) -> None:
        """After a gap: filters start anew, what was learnt stays."""
        self._front.reset()
        self._slow = RecentQuantile(0.5, self._window)
        self._fast = RecentQuantile(0.5, self._fast_window)
        self._quiet_at: int | None = None  # when the fast median was last near rest
        self._energy: deque[float] = deque(maxlen=round(LOOK_BACK_S * self.rate_hz) + self._window)
        self._above: int | None = None  # index at which the start threshold was crossed
        self._active = False
        self._peak = 0.0
        self._below = 0
        self._amplitude = 0.0

    def process(self, block: Block) -> list[Detection]:
        if len(block) == 0:
            return []
        found: list[Detection] = []
        conditioned = np.full((3, len(block)), np.nan)
        if self._expected is not None and block.first != self._expected:
            found.extend(self._break(block.first))
        valid = np.asarray(np.isfinite(block.samples).all(axis=1))
        edges = np.flatnonzero(np.diff(valid)) + 1
        for rows in np.split(np.arange(len(block)), edges):
            first = block.first + int(rows[0])
            if valid[rows[0]]:
                part = slice(int(rows[0]), int(rows[-1]) + 1)
                self._run(block.samples[part], first, found, conditioned[:, part])
                self._expected = first + len(rows)
            elif self._expected is not None:
                found.extend(self._break(first))
                self._expected = None
        self._trace = Trace(block.first, *conditioned)
        return found

    def flush(self) -> list[Detection]:
        if self._expected is None:
            return []
        found = self._break(self._expected - 1)
        self._expected = None
        return found

    def _break(self, index: int) -> list[Detection]:
        found: list[Detection] = []
        if self._active and self._expected is not None:
            found.append(self._end(self._expected - 1, index))
        self._restart()
        return found

    def _run(self, samples: Samples, first: int, found: list[Detection], out: Samples) -> None:
        """Contiguous finite samples, shape (n, channels)."""
        logs, energies, still = self._front.process(samples)
        smooth = 1 - exp(-1 / (LEVEL_S * self.rate_hz))
        window = self._window
        for offset, (value, energy) in enumerate(zip(logs.tolist(), energies.tolist(), strict=True)):
            if value != value:  # the envelope's floor is not known yet
                continue
            self._slow.add(value)
            self._fast.add(value)
            self._energy.append(value)
            self._amplitude += smooth * (exp(value) - self._amplitude)
            if len(self._slow) < window:
                continue
            index = first + offset
            middle = self._slow.value
            if self._rest is None:
                self._learn(middle)
            else:
                upper, lower = self._step(middle, index, bool(still[offset]), found)
                out[:, offset] = exp(middle), upper, lower
            if index % self._level_step == 0 and self._rest is not None:
                found.append(
                    Level(
                        "contraction-level",
                        index / self.rate_hz,
                        self._share(self._amplitude),
                        self._channel,
                        self.name,
                    )
                )

    def _learn(self, middle: float) -> None:
        self._learning.append(middle)
        if len(self._learning) >= LEARNING_S * self.rate_hz - self._window:
            values = np.asarray(self._learning)
            rest = float(np.quantile(values, 0.2))
            self._spread = min(0.5, max(0.05, float(np.mean(np.abs(values[values <= rest + log(2)] - rest)))))
            self._rest = rest
            self._learning = []

    def _thresholds(self) -> tuple[float, float]:
        """Start and end threshold, log amplitude."""
        rest = self._rest
        assert rest is not None
        settings = self._settings
        start = rest + max(LEAST_RATIO, SPREADS * self._spread)
        end = rest + LEAST_OFF_RATIO
        usual = self._usual
        if self._active:
            usual = self._peak if usual is None else max(usual, self._peak)
        if usual is not None and usual > rest:
            low = exp(rest)
            way = exp(usual) - low
            start = max(start, log(low + settings.on_fraction * way))
            end = max(end, log(low + settings.off_fraction * way))
        return start, min(end, start - 0.2)

    def _step(self, middle: float, index: int, still: bool, found: list[Detection]) -> tuple[float, float]:
        start, end = self._thresholds()
        fast = self._fast.value
        highest = max(fast, middle)
        assert self._rest is not None
        if fast < self._rest + LEAST_OFF_RATIO:
            self._quiet_at = index
        self._quiet_samples += not self._active
        if not self._active and self._above is None:
            steep = self._quiet_at is not None and index - self._quiet_at <= STEEP_S * self.rate_hz
            if middle > start or (steep and fast > self._steep_threshold()):
                self._above, self._peak = index, fast
            else:
                self._follow_rest(middle, still)
        if self._above is not None and not self._active:
            self._peak = max(self._peak, highest)
            lasted_s = (index - self._above) / self.rate_hz
            if highest < end:
                if lasted_s < PULSE_S:
                    self._pulses.append(_Pulse(self._quiet_samples, lasted_s, self._peak))
                self._above = None
            elif lasted_s >= self._needed_s(self._peak):
                self._active, self._below = True, 0
                found.append(self._start(self._above, index, start, middle))
        elif self._active:
            self._peak = max(self._peak, middle)
            self._largest = max(self._largest, self._amplitude)
            assert self._above is not None
            too_long = index - self._above > self._settings.longest_s * self.rate_hz
            self._below = self._below + 1 if highest < end else 0
            if too_long or self._below > self._settings.release_ms / 1000 * self.rate_hz:
                self._close(index, middle if too_long else None, found)
        return exp(start), exp(end)

    def _steep_threshold(self) -> float:
        rest = self._rest
        assert rest is not None
        start = rest + max(LEAST_RATIO, SPREADS * self._spread)
        if self._usual is not None and self._usual > rest:
            low = exp(rest)
            start = max(start, log(low + STEEP_FRACTION * (exp(self._usual) - low)))
        return start

    def _close(self, index: int, new_rest: float | None, found: list[Detection]) -> None:
        """The contraction is over; ``new_rest`` where it lasted so long that it must be the resting level."""
        assert self._above is not None
        ended = index - self._below
        lasted_s = (ended - self._above) / self.rate_hz
        found.append(self._end(ended, index))
        if lasted_s < PULSE_S:
            self._pulses.append(_Pulse(self._quiet_samples, lasted_s, self._peak))
        else:
            self._peaks.append(self._peak)
            if self._settings.usual is None:
                self._usual = median(self._peaks)
        if new_rest is not None:
            self._rest = new_rest
        self._active, self._above = False, None

    def _follow_rest(self, middle: float, still: bool) -> None:
        assert self._rest is not None
        step_s = 1 / self.rate_hz
        away = middle - self._rest
        if still:
            self._rest += max(min(away, 0.0), -STILL_REST_FALL * step_s)
            return
        self._rest += min(away, REST_RISE * step_s) if away > 0 else max(away, -REST_FALL * step_s)
        self._spread += (min(abs(away), 0.5) - self._spread) * step_s / 2
        if self._usual is not None and self._settings.usual is None:
            self._usual -= USUAL_FADE * step_s

    def _needed_s(self, height: float) -> float:
        """How long the signal must stay above the start threshold.

        Where there are short pulses at rest (the heart's), longer than those, or well above them.
        """
        shortest_s = self._settings.shortest_ms / 1000
        if not self._pulsing() or height > max(pulse.height for pulse in self._pulses) + PULSE_RATIO:
            return shortest_s
        return max(shortest_s, PULSE_MARGIN * median(pulse.lasted_s for pulse in self._pulses))

    def _pulsing(self) -> bool:
        oldest = self._quiet_samples - PULSE_MEMORY_S * self.rate_hz
        while self._pulses and self._pulses[0].at < oldest:
            self._pulses.popleft()
        return len(self._pulses) >= PULSES

    def _start(self, crossed: int, index: int, start: float, middle: float) -> Event:
        rest = self._rest
        assert rest is not None
        # Back from the crossing to where the energy left the resting level.
        onset = self._onset(crossed, index)
        confidence = min(1.0, (middle - rest) / (2 * SPREADS * self._spread))
        return self._event("start", onset, index, self._amplitude, confidence)

    def _onset(self, crossed: int, index: int) -> int:
        assert self._rest is not None
        history = list(self._energy)
        quiet = self._rest + ONSET_RATIO
        place = len(history) - 1 - (index - crossed)
        least = max(0, place - round(LOOK_BACK_S * self.rate_hz))
        while place > least and history[place] > quiet:
            place -= 1
        return index - (len(history) - 1 - place) - round(ONSET_DELAY_S * self.rate_hz)

    def _end(self, ended: int, index: int) -> Event:
        assert self._above is not None
        duration_s = max(0, ended - self._above) / self.rate_hz
        return self._event("end", ended, index, exp(self._peak), 1.0, duration=duration_s)

    def _event(
        self, edge: Edge, onset: int, index: int, amplitude: float, confidence: float, **more: float
    ) -> Event:
        values = {"level": self._share(amplitude), "amplitude": amplitude, **more}
        return Event(
            "contraction",
            edge,
            onset / self.rate_hz,
            index / self.rate_hz,
            self._channel,
            values,
            confidence,
            self.name,
        )

    def _share(self, amplitude: float) -> float:
        """Fraction of the maximum voluntary contraction (ISEK), 0..1."""
        rest = exp(self._rest) if self._rest is not None else 0.0
        most = self._settings.mvc or max(self._largest, 10 * rest)
        return min(1.0, max(0.0, (amplitude - rest) / (most - rest))) if most > rest else 0.0


def create(
    name: str, channels: Sequence[Channel], rate_hz: float, settings: Mapping[str, Any]
) -> ContractionDetector:
    """A contraction detector. Raises SettingsError, or SamplingRateError below 200 Hz (envelopes 20 Hz)."""
    return ContractionDetector(name, channels, rate_hz, settings_from(ContractionSettings, settings))


TYPE = DetectorType(
    name="contraction",
    kinds=("emg", "emg-envelope"),
    events=("contraction",),
    levels=("contraction-level",),
    many_channels=True,
    latency_s=0.6,
    version=1,
    settings=ContractionSettings,
    create=create,
)

"""Muscle contraction from surface EMG: start, end and level, from one electrode pair or many.

Many electrodes feed one detector: their logarithmic amplitudes are averaged (a geometric mean), so that an
electrode's own gain does not matter and an artefact under a single electrode counts little.

The decision works on running medians of that log amplitude. A rank statistic amounts to the "r of m samples
above" of double-threshold detectors (Bonato et al. 1998, from memory): what lasts more than half its window
passes, shorter spikes do not. A slow rise is judged by the last 80 ms, a steep one out of rest by the last
60 ms and a lower threshold, since unrest before a movement is slow and movements start steeply. The more
electrodes are averaged, the steadier their amplitude, and the shorter the steep rise's window. Start and
end thresholds lie at fractions of the way from the tracked resting level to the person's usual contraction.
The onset is placed where the energy operator (Solnik et al. 2008) left its resting level.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import exp, inf, log, nan
from typing import Any, Final, TypeAlias

import numpy as np

from bridge.detectors.effort import END_RATIO, PULSE_S, EffortScale, Pulses
from bridge.detectors.muscle import (
    HIGH_HZ,
    LOW_HZ,
    SMOOTHING_S,
    EmgAmplitude,
    EnvelopeAmplitude,
)
from bridge.detectors.protocol import DetectorType, SettingsError, Trace, settings_from
from bridge.signals.robust import RecentQuantile
from bridge.signals.types import Block, Channel, Detection, Edge, Event, Level

# The delays stay within the 100-125 ms that suit myoelectric control best (Farrell & Weir 2007).
SLOW_WINDOW_S: Final = 0.08
FAST_WINDOW_S: Final = 0.06  # of one or two electrodes
STEEP_S: Final = 0.12  # from rest to the threshold within this is steep
LOOK_BACK_S: Final = 0.25
ONSET_RATIO: Final = log(1.5)
ENERGY_REST_S: Final = 1.0  # time constant of the energy's resting level
LEVEL_S: Final = 0.1  # time constant of the level
# Independent electrodes would allow windows that shrink with their number; neighbours share some signal, so
# that measured accuracy stays level when the window shrinks with this power of it.
WINDOW_POWER: Final = 0.75
_SENSIBLE: Final = 1e100  # beyond this a sample's square is no number


@dataclass(frozen=True, slots=True)
class ContractionSettings:
    """Amplitudes are in the channel's unit (RMS; the geometric mean where electrodes are many).

    ``rest``, ``usual`` (a comfortable contraction) and ``mvc`` (maximum voluntary contraction) come from a
    profile; without them they are learnt: rest from the first two seconds, ``usual`` as the median peak of
    the last five contractions, ``mvc`` as the largest level so far (ten times rest until more was seen).
    """

    on_fraction: float = 0.25  # start, as a fraction of the way from rest to the usual contraction
    steep_fraction: float = 0.18  # start of a steep rise
    off_fraction: float = 0.12  # end
    release_ms: float = 300.0  # so long below the end threshold before a contraction has ended
    shortest_ms: float = 0.0  # so long above the start threshold, beyond the median's half window
    weak_s: float = 4.0  # so long too weak to start one, a contraction has ended as well
    longest_s: float = 60.0  # endurance at half of the maximum is about a minute (Rohmert, from memory)
    level_every_ms: float = 50.0
    rest: float | None = None
    usual: float | None = None
    mvc: float | None = None

    def __post_init__(self) -> None:
        if not 0 < self.off_fraction < self.steep_fraction <= self.on_fraction < 1:
            raise SettingsError("must be: 0 < off_fraction < steep_fraction <= on_fraction < 1")
        if not 0 <= self.shortest_ms <= 1000:
            raise SettingsError("shortest_ms must lie between 0 and 1000 ms")
        if not 0 <= self.release_ms <= 5000:
            raise SettingsError("release_ms must lie between 0 and 5000 ms")
        if not (self.weak_s > 0 and self.longest_s >= 1 and self.level_every_ms > 0):
            raise SettingsError("weak_s and level_every_ms must be above 0, longest_s 1 s or more")
        for name in ("rest", "usual", "mvc"):
            value = getattr(self, name)
            if value is not None and not 0 < value < inf:
                raise SettingsError(f"{name} must be an amplitude above 0, not {value!r}")
        if self.rest is not None and min(self.usual or inf, self.mvc or inf) <= self.rest:
            raise SettingsError("usual and mvc must be above rest")


# The states; plain numbers, for an enumeration's members are looked up by name at each sample.
_REST: Final = 0
_RISEN: Final = 1  # above the threshold, not yet for long enough
_CONTRACTED: Final = 2


def fast_window_s(electrodes: int) -> float:
    """The window (s) that judges a steep rise seen by so many electrodes."""
    return FAST_WINDOW_S * float(min(1.0, (2 / electrodes) ** WINDOW_POWER))


# What the trace shows of a sample: log amplitude, and the thresholds for start and end.
_Seen: TypeAlias = tuple[float, float, float]
_UNSEEN: _Seen = (nan, nan, nan)


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
        envelopes = {channel.kind == "emg-envelope" for channel in channels}
        if len(envelopes) > 1:
            raise SettingsError("raw EMG and envelopes cannot feed one detector: name the channels")
        self._front_type = EnvelopeAmplitude if envelopes.pop() else EmgAmplitude
        self._width = len(channels)
        self._slow_window = max(3, round(SLOW_WINDOW_S * rate_hz))
        self._fast_window = max(3, round(fast_window_s(len(channels)) * rate_hz))
        self._level_step = max(1, round(settings.level_every_ms / 1000 * rate_hz))
        self._level_gain = 1 - exp(-1 / (LEVEL_S * rate_hz))
        self._energy_gain = 1 - exp(-1 / (ENERGY_REST_S * rate_hz))
        self._view: tuple[int, list[_Seen]] | None = None
        self.reset()

    @property
    def settings(self) -> ContractionSettings:
        return self._settings

    @property
    def trace(self) -> Trace | None:
        if self._view is None:
            return None
        first, rows = self._view
        return Trace(first, *np.exp(np.array(rows)).T)

    def reset(self) -> None:
        settings = self._settings
        self._scale = EffortScale(self.rate_hz, settings.rest, settings.usual, settings.mvc)
        self._pulses = Pulses(self.rate_hz)
        self._energy_rest: float | None = None
        self._front: EmgAmplitude | EnvelopeAmplitude = self._front_type(self._width, self.rate_hz)
        self._expected: int | None = None
        self._view = None
        self._restart(0)

    def _restart(self, index: int) -> None:
        """A new stretch of signal begins at ``index``: filters start anew, what was learnt stays."""
        self._front.reset()
        self._begun = index
        self._slow = RecentQuantile(0.5, self._slow_window)
        self._fast = RecentQuantile(0.5, self._fast_window)
        self._energies: deque[float] = deque(maxlen=round(LOOK_BACK_S * self.rate_hz) + self._slow_window)
        self._amplitude = 0.0
        self._state: int = _REST
        self._quiet_at: int | None = None  # when the fast median was last near rest
        self._risen_at = self._onset_at = 0
        self._peak = 0.0
        self._below = 0
        self._weak = 0

    def process(self, block: Block) -> list[Detection]:
        found: list[Detection] = []
        if len(block) == 0:
            return found
        view: list[_Seen] = []
        row = block.row
        sensible = row is not None and all(-_SENSIBLE < value < _SENSIBLE for value in row)
        if row is not None and sensible and block.first == self._expected:
            value, energy, still = self._front.step(row)
            view.append(self._row(value, energy, still, block.first, found))
            self._expected += 1
            self._view = (block.first, view)
            return found
        if float(np.abs(block.samples).max()) < _SENSIBLE:  # as good as always; a NaN is not below
            valid, bounds = [True], [0, len(block)]
        else:
            each = np.asarray((np.abs(block.samples) < _SENSIBLE).all(axis=1))
            valid, bounds = each.tolist(), [0, *(np.flatnonzero(np.diff(each)) + 1).tolist(), len(block)]
        for start, stop in pairwise(bounds):
            first = block.first + start
            if self._expected is not None and (first != self._expected or not valid[start]):
                found.extend(self._break(first))
            if not valid[start]:
                view.extend([_UNSEEN] * (stop - start))
                continue
            if self._expected is None:
                self._restart(first)
            columns = self._front.process(block.samples[start:stop])
            rows = zip(*(column.tolist() for column in columns), strict=True)
            for index, (value, energy, still) in enumerate(rows, start=first):
                view.append(self._row(value, energy, still, index, found))
            self._expected = block.first + stop
        self._view = (block.first, view)
        return found

    def flush(self) -> list[Detection]:
        return [] if self._expected is None else self._break(self._expected - 1)

    def _break(self, index: int) -> list[Detection]:
        """The signal is interrupted, which is known at ``index``: end what is open."""
        assert self._expected is not None
        last = self._expected - 1
        self._expected = None
        if self._state != _CONTRACTED:
            return []
        self._state = _REST
        return [self._end(last, index)]

    def _row(self, value: float, energy: float, still: float, index: int, found: list[Detection]) -> _Seen:
        """One sample: log amplitude, log energy, does nothing move (1 or 0). Returns what the trace shows."""
        if value != value:  # NaN: the amplitude is not known yet
            return _UNSEEN
        slow = self._slow
        slow.add(value)
        self._fast.add(value)
        self._energies.append(energy)
        self._amplitude += self._level_gain * (exp(value) - self._amplitude)
        if len(slow) < self._slow_window:
            return _UNSEEN
        level = slow.value
        if self._scale.rest is None:
            self._follow_energy(energy)
            self._scale.learn(level)
            return _UNSEEN
        start, end = self._step(level, energy, index, still > 0, found)
        if index % self._level_step == 0:
            share = self._scale.share(self._amplitude)
            found.append(Level("contraction-level", index / self.rate_hz, share, self._channel, self.name))
        return level, start, end

    def _step(
        self, level: float, energy: float, index: int, still: bool, found: list[Detection]
    ) -> tuple[float, float]:
        """One sample of the state machine; returns the thresholds."""
        scale, settings = self._scale, self._settings
        peak = self._peak if self._state == _CONTRACTED else None
        start, end = scale.thresholds(settings.on_fraction, settings.off_fraction, peak)
        fast = self._fast.value
        highest = max(fast, level)
        assert scale.rest is not None
        if fast < scale.rest + END_RATIO:
            self._quiet_at = index

        if self._state == _REST:
            steep = self._quiet_at is not None and index - self._quiet_at <= STEEP_S * self.rate_hz
            steep = steep and fast > scale.stands_out()  # as good as always false
            if level > start or (steep and fast > scale.start_threshold(settings.steep_fraction)):
                self._state, self._risen_at, self._peak = _RISEN, index, highest
            else:
                scale.follow(level, still)
                self._follow_energy(energy)
        if self._state == _RISEN:
            self._peak = max(self._peak, highest)
            lasted_s = (index - self._risen_at) / self.rate_hz
            if highest < end:
                self._state = _REST
                if lasted_s < PULSE_S:
                    self._pulses.add(lasted_s, self._peak)
            elif lasted_s >= max(settings.shortest_ms / 1000, self._pulses.needed_s(self._peak)):
                self._state, self._below, self._weak = _CONTRACTED, 0, 0
                found.append(self._start(index, highest))
        elif self._state == _CONTRACTED:
            self._peak = max(self._peak, level)
            scale.held(self._amplitude)
            self._below = self._below + 1 if highest < end else 0
            self._weak = self._weak + 1 if highest < start else 0
            self._perhaps_end(level, index, found)
        if self._state != _CONTRACTED:
            self._pulses.tick()
        return start, end

    def _perhaps_end(self, level: float, index: int, found: list[Detection]) -> None:
        rate_hz, settings = self.rate_hz, self._settings
        too_long = index - self._risen_at > settings.longest_s * rate_hz
        too_weak = self._weak > settings.weak_s * rate_hz
        if not (too_long or too_weak or self._below > settings.release_ms / 1000 * rate_hz):
            return
        ended = index - self._below
        lasted_s = (ended - self._risen_at) / rate_hz
        note = f"on for {settings.longest_s:g} s, longer than anybody holds: taken for rest" if too_long else ""
        found.append(self._end(ended, index, note))
        self._state = _REST
        if too_long:
            self._scale.settle(level)
        elif lasted_s < PULSE_S:
            self._pulses.add(lasted_s, self._peak)
        else:
            self._scale.contracted(self._peak)

    def _follow_energy(self, energy: float) -> None:
        before = energy if self._energy_rest is None else self._energy_rest
        self._energy_rest = before + self._energy_gain * (energy - before)

    def _onset(self, index: int) -> int:
        """Back from the crossing of the threshold to where the energy left its resting level."""
        energies = list(self._energies)
        quiet = (self._energy_rest if self._energy_rest is not None else -inf) + ONSET_RATIO
        place = len(energies) - 1 - (index - self._risen_at)
        earliest = max(0, place - round(LOOK_BACK_S * self.rate_hz))
        while place > earliest and energies[place] > quiet:
            place -= 1
        onset = index - (len(energies) - 1 - place) - round(SMOOTHING_S * self.rate_hz)
        return max(self._begun, min(onset, index))

    def _start(self, index: int, level: float) -> Event:
        self._onset_at = self._onset(index)
        return self._event("start", self._onset_at, index, self._amplitude, self._scale.confidence(level))

    def _end(self, ended: int, index: int, note: str = "") -> Event:
        lasted_s = max(0, ended - self._onset_at) / self.rate_hz
        return self._event("end", ended, index, exp(self._peak), 1.0, note, duration=lasted_s)

    def _event(
        self,
        edge: Edge,
        onset: int,
        index: int,
        amplitude: float,
        confidence: float,
        note: str = "",
        **more: float,
    ) -> Event:
        values = {"level": self._scale.share(amplitude), "amplitude": amplitude, **more}
        rate_hz = self.rate_hz
        return Event(
            "contraction",
            edge,
            onset / rate_hz,
            index / rate_hz,
            self._channel,
            values,
            confidence,
            self.name,
            note,
        )


def create(
    name: str, channels: Sequence[Channel], rate_hz: float, settings: Mapping[str, Any]
) -> ContractionDetector:
    """A contraction detector. Raises SettingsError, or SamplingRateError below 200 Hz (envelopes 20 Hz)."""
    return ContractionDetector(name, channels, rate_hz, settings_from(ContractionSettings, settings))


TYPE: DetectorType = DetectorType(
    name="contraction",
    kinds=("emg", "emg-envelope"),
    events=("contraction",),
    levels=("contraction-level",),
    many_channels=True,
    latency_s=0.6,
    version=1,
    settings=ContractionSettings,
    create=create,
    most_in_10_s=30,
    filters=f"band-pass {LOW_HZ:g} to {HIGH_HZ:g} Hz or just under half the rate, mains notches",
)

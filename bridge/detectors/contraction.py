"""Muscle contraction from surface EMG: start, end and level, from one electrode pair or many.

The decision is a cumulative sum (Page 1954, from memory): what the log amplitude stands above rest adds up to
evidence of an effort, what it lies below takes it away again. So a strong contraction is known at once, a
weak one of one and a half times rest after about a second, and a twitch has to be as much stronger as it is
shorter. Once efforts are known, much weaker ones are none for a while; a steep rise out of rest needs less,
for unrest before a movement is slow and movements start steeply. After a contraction more evidence is needed
for a while, for letting go is seldom smooth. A contraction ends when its smoothed amplitude is near rest.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import exp, inf, nan
from typing import Any, Final, TypeAlias

import numpy as np

from bridge.detectors.effort import LEARNING_S, EffortScale, Pulses
from bridge.detectors.kinds import AS_THE_CHANNEL, AT_END, EventType, LevelType, Quantity
from bridge.detectors.muscle import (
    ENVELOPE_REST_RISE,
    HIGH_HZ,
    LOW_HZ,
    REST_RISE,
    SMOOTHING_S,
    EmgAmplitude,
    EnvelopeAmplitude,
)
from bridge.detectors.protocol import DetectorType, SettingsError, Trace, settings_from
from bridge.signals.types import Block, Channel, Detection, Edge, Event, Level

END_S: Final = 0.15  # time constant of the smoothing that ends a contraction
LEVEL_S: Final = 0.1  # time constant of the level
ONSET_S: Final = 0.03  # time constant of the smoothing that places an onset
ONSET_SHARE: Final = (
    0.2  # the onset is where the height (of the logarithm) was last below this share of its peak
)
STEEP_S: Final = 0.06  # what was at rest within this rose steeply
QUIET_S: Final = 0.06  # so long below what is needed, and the evidence is none
FALL_S: Final = 2 * SMOOTHING_S  # the mean square falls by e^-2 in it, the amplitude by e^-1
TAUGHT_S: Final = 0.7  # a shorter effort does not tell what is usual
LATENCY_S: Final = 1.5  # an onset is placed no earlier than this before the decision
_SENSIBLE: Final = 1e100  # beyond this a sample's square is no number


@dataclass(frozen=True, slots=True)
class ContractionSettings:
    """What counts as an effort, as multiples of the resting amplitude, which is learnt and followed.

    ``electrodes``: names of the channels that count, with blanks between; None for all. ``mvc``: maximum
    voluntary contraction in the channel's unit (RMS; the geometric mean where electrodes are many), for the
    level; without it the largest so far, ten times rest until more was seen.
    """

    least_ratio: float = 1.22  # less than so many times rest is no effort, however long it lasts
    least_share: float = 0.18  # nor is less than this share of the usual effort, the median of the last five
    strictness: float = 1.0  # factor on the evidence that a start needs: how strong, how long
    again_factor: float = 9.0  # factor on it right after a contraction ...
    again_s: float = 1.5  # ... which fades out in this time
    end_share: float = 0.33  # a contraction ends below this share of its own height (of the logarithm)
    release_ms: float = 300.0  # for so long
    shortest_ms: float = 0.0  # so long a start has to last besides
    weak_s: float = 4.0  # so long below the least ratio, a contraction has ended as well
    longest_s: float = 60.0  # endurance at half of the maximum is about a minute (Rohmert, from memory)
    level_every_ms: float = 50.0
    electrodes: str | None = None
    mvc: float | None = None

    def __post_init__(self) -> None:
        if not 1.0 < self.least_ratio <= 20:
            raise SettingsError("least_ratio must lie between 1 and 20 times rest")
        if not 0 < self.least_share < 1:
            raise SettingsError("least_share must lie between 0 and 1 of the usual effort")
        if not 0.01 <= self.strictness <= 100 or not 1 <= self.again_factor <= 100:
            raise SettingsError("strictness must lie between 0.01 and 100, again_factor between 1 and 100")
        if not 0 < self.end_share < 1 or not 0 <= self.again_s <= 10:
            raise SettingsError("end_share must lie between 0 and 1, again_s between 0 and 10 s")
        if not 0 <= self.shortest_ms <= 1000:
            raise SettingsError("shortest_ms must lie between 0 and 1000 ms")
        if not 0 <= self.release_ms <= 5000:
            raise SettingsError("release_ms must lie between 0 and 5000 ms")
        if not (self.weak_s > 0 and self.longest_s >= 1 and self.level_every_ms > 0):
            raise SettingsError("weak_s and level_every_ms must be above 0, longest_s 1 s or more")
        if self.mvc is not None and not 0 < self.mvc < inf:
            raise SettingsError(f"mvc must be an amplitude above 0, not {self.mvc!r}")


# What the trace shows of a sample: log amplitude, what it must exceed, where it ends.
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
        is_envelope = envelopes.pop()
        self._front_type = EnvelopeAmplitude if is_envelope else EmgAmplitude
        self._rest_rise = ENVELOPE_REST_RISE if is_envelope else REST_RISE
        self._columns = _columns(channels, settings.electrodes)
        self._level_step = max(1, round(settings.level_every_ms / 1000 * rate_hz))
        self._level_gain = 1 - exp(-1 / (LEVEL_S * rate_hz))
        self._end_gain = 1 - exp(-1 / (END_S * rate_hz))
        self._onset_gain = 1 - exp(-1 / (ONSET_S * rate_hz))
        self._quiet_for = round(QUIET_S * rate_hz)
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
        self._scale = EffortScale(
            self.rate_hz, self._rest_rise, settings.least_ratio, settings.least_share, settings.mvc
        )
        self._pulses = Pulses(self.rate_hz)
        self._front: EmgAmplitude | EnvelopeAmplitude = self._front_type(self._columns, self.rate_hz)
        self._expected: int | None = None
        self._view = None
        self._restart(0)

    def _restart(self, index: int) -> None:
        """A new stretch of signal begins at ``index``: filters start anew, what was learnt stays."""
        self._front.reset()
        self._scale.forget_recent()
        self._begun = index
        self._amplitude = 0.0
        self._smooth = self._near = 0.0
        self._lately: deque[float] = deque(maxlen=round(LATENCY_S * self.rate_hz))
        self._rested_at = index  # when the level was last near rest
        self._quiet = 0
        self._fell_at = index  # when what began a contraction was over
        self._on = False
        self._evidence = 0.0
        self._rising_at = self._started_at = self._onset_at = index
        self._peak = self._top = 0.0
        self._was_enough = False  # of evidence, so that only its brevity spoke against an effort
        self._below = self._weak = 0
        self._since_end = 1_000_000_000
        self._unsettled = 0  # so many samples it has been above rest since it began, without a break

    def process(self, block: Block) -> list[Detection]:
        found: list[Detection] = []
        count = len(block)
        if count == 0:
            return found
        view: list[_Seen] = []
        row = block.row
        if row is not None:
            view.append(self._take(row, block.first, found))
        else:
            for offset, values in enumerate(block.samples.tolist()):
                view.append(self._take(values, block.first + offset, found))
        self._view = (block.first, view)
        return found

    def _take(self, row: list[float], index: int, found: list[Detection]) -> _Seen:
        """One sample of each channel. Returns what the trace shows of it."""
        sensible = True
        for value in row:
            if not -_SENSIBLE < value < _SENSIBLE:  # a NaN is in no range
                sensible = False
        if self._expected is not None and (index != self._expected or not sensible):
            found.extend(self._break(index))
        if not sensible:
            return _UNSEEN
        if self._expected is None:
            self._restart(index)
        self._expected = index + 1
        level = self._front.step(row)
        if level != level:  # NaN: the amplitude is not known yet
            return _UNSEEN
        self._amplitude += self._level_gain * (exp(level) - self._amplitude)
        scale = self._scale
        if scale.rest is None:
            scale.learn(level)
            return _UNSEEN
        start, end = self._step(level, index, found)
        if index % self._level_step == 0:
            share = scale.share(self._amplitude)
            found.append(Level("contraction-level", index / self.rate_hz, share, self._channel, self.name))
        return level, start, end

    def flush(self) -> list[Detection]:
        return [] if self._expected is None else self._break(self._expected - 1)

    def _break(self, index: int) -> list[Detection]:
        """The signal is interrupted, which is known at ``index``: end what is open."""
        assert self._expected is not None
        last = self._expected - 1
        self._expected = None
        if not self._on:
            return []
        self._on = False
        return [self._end(last, index)]

    def _step(self, level: float, index: int, found: list[Detection]) -> tuple[float, float]:
        """One sample of the decision; returns the least level of an effort, and where it ends."""
        scale = self._scale
        rest = scale.rest
        assert rest is not None
        height = level - rest
        self._smooth += self._end_gain * (height - self._smooth)
        self._near += self._onset_gain * (height - self._near)
        self._lately.append(self._near + rest)
        if self._near < scale.stands_out():
            self._rested_at = index
        least = scale.must_exceed(index - self._rested_at <= STEEP_S * self.rate_hz)
        if self._on:
            end = self._held(height, index, found)
        else:
            end = least
            self._wait(level, height, least, index, found)
        return rest + least, rest + end

    def _wait(self, level: float, height: float, least: float, index: int, found: list[Detection]) -> None:
        """Outside contractions: gather evidence, learn rest."""
        scale = self._scale
        self._pulses.tick()
        self._since_end += 1
        if self._front.still:
            # A dead input is neither effort nor rest.
            scale.forget_recent()
            self._evidence = 0.0
            self._rising_at = index
            return
        if not self._is_settled(height):
            return
        self._evidence = max(0.0, self._evidence + scale.gain(height, least) / self.rate_hz)
        self._quiet = self._quiet + 1 if height < least else 0
        if self._quiet > self._quiet_for:
            self._evidence = 0.0
        if self._evidence == 0.0:
            lasted_s = (index - self._quiet - self._onset_at) / self.rate_hz
            if self._was_enough:
                self._pulses.add(lasted_s, self._peak, FALL_S)
            self._rising_at = index
            self._peak = 0.0
            self._was_enough = False
        self._peak = max(self._peak, height)
        if self._is_enough(index):
            self._on = True
            self._started_at = self._fell_at = index
            self._smooth = self._top = max(height, self._smooth)
            self._below = self._weak = self._quiet = 0
            scale.forget_recent()
            found.append(self._start(index, height))
        else:
            scale.follow(level)
            scale.fade()

    def _is_settled(self, height: float) -> bool:
        """A signal that is above rest from its first sample on did not rise: rest is learnt anew."""
        if self._unsettled < 0:
            return True
        if height <= self._scale.stands_out():
            self._unsettled = -1
            return True
        self._unsettled += 1
        if self._unsettled > LEARNING_S * self.rate_hz:
            self._scale.learn_anew()
            self._unsettled = -1
        return False

    def _is_enough(self, index: int) -> bool:
        settings = self._settings
        needed = self._scale.needed() * settings.strictness
        again = settings.again_s * self.rate_hz
        if self._since_end < again:
            needed *= 1 + (settings.again_factor - 1) * (1 - self._since_end / again)
        if self._evidence <= needed or self._quiet > 0:
            return False
        if not self._was_enough:
            self._was_enough = True
            self._onset_at = self._onset(index)
        lasted_s = (index - self._onset_at) / self.rate_hz
        return lasted_s >= max(settings.shortest_ms / 1000, self._pulses.needed_s(self._peak))

    def _held(self, height: float, index: int, found: list[Detection]) -> float:
        """Within a contraction; returns the height below which it ends."""
        settings, scale, rate_hz = self._settings, self._scale, self.rate_hz
        scale.held(self._amplitude)
        self._peak = max(self._peak, height)
        self._top = max(self._top, self._smooth)
        end = settings.end_share * self._top
        least = scale.stands_out()
        if self._quiet <= self._quiet_for:  # what began it may be over
            self._quiet = self._quiet + 1 if height < least else 0
            self._fell_at = index - self._quiet
        self._below = self._below + 1 if self._smooth < end else 0
        self._weak = self._weak + 1 if self._smooth < least else 0
        too_long = index - self._started_at > settings.longest_s * rate_hz
        released = self._below > settings.release_ms / 1000 * rate_hz
        if not (too_long or released or self._weak > settings.weak_s * rate_hz):
            return end
        ended = index - self._below
        note = (
            f"on for {settings.longest_s:g} s, longer than anybody holds: taken for rest" if too_long else ""
        )
        found.append(self._end(ended, index, note))
        risen_s = (self._fell_at - self._onset_at) / rate_hz
        if too_long:
            scale.learn_anew()
        elif ended - self._started_at > TAUGHT_S * rate_hz:
            scale.ended(self._top)
        else:
            self._pulses.add(risen_s, self._peak, FALL_S)
        self._on = False
        self._evidence = 0.0
        self._rising_at = index
        self._since_end = self._quiet = 0
        self._peak = 0.0
        self._was_enough = False
        return end

    def _onset(self, index: int) -> int:
        """Back to where the height was last a small share of what it has come to."""
        rest = self._scale.rest
        assert rest is not None
        heights = list(self._lately)
        first = index - len(heights) + 1
        earliest = max(first, self._rising_at)
        low = rest + ONSET_SHARE * (max(heights[earliest - first :]) - rest)
        onset = index
        while onset > earliest and heights[onset - first] > low:
            onset -= 1
        return max(self._begun, onset - round(SMOOTHING_S * self.rate_hz))

    def _start(self, index: int, height: float) -> Event:
        confidence = min(1.0, max(0.0, height / (8 * self._scale.spread)))
        return self._event("start", self._onset_at, index, self._amplitude, confidence)

    def _end(self, ended: int, index: int, note: str = "") -> Event:
        lasted_s = max(0, ended - self._onset_at) / self.rate_hz
        rest = self._scale.rest
        peak = exp(self._peak + (0.0 if rest is None else rest))
        return self._event("end", ended, index, peak, 1.0, note, duration=lasted_s)

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


def _columns(channels: Sequence[Channel], electrodes: str | None) -> list[int]:
    """Which channels count. Raises SettingsError for a name that is none of them."""
    if electrodes is None:
        return list(range(len(channels)))
    names = [channel.name for channel in channels]
    wanted = electrodes.split()
    unknown = [name for name in wanted if name not in names]
    if unknown or not wanted:
        raise SettingsError(
            f"electrodes must name channels of this detector ({', '.join(names)}), not {electrodes!r}"
        )
    return [names.index(name) for name in dict.fromkeys(wanted)]


def create(
    name: str, channels: Sequence[Channel], rate_hz: float, settings: Mapping[str, Any]
) -> ContractionDetector:
    """A contraction detector. Raises SettingsError, or SamplingRateError below 200 Hz (envelopes 20 Hz)."""
    return ContractionDetector(name, channels, rate_hz, settings_from(ContractionSettings, settings))


_CONTRACTION: Final = EventType(
    "contraction",
    "a contraction",
    lasts=True,
    values={
        "level": Quantity("share of the maximum voluntary contraction, over rest"),
        "amplitude": Quantity("envelope: at the start as it is, at the end the highest", AS_THE_CHANNEL),
        "duration": Quantity("from onset to end", "s", AT_END),
    },
    strength="level",
    labels=("light", "strong", "maximum"),
)
TYPE: DetectorType = DetectorType(
    name="contraction",
    kinds=("emg", "emg-envelope"),
    events=(_CONTRACTION,),
    levels=(LevelType("contraction-level", hysteresis=0.05, lowest=0.0, highest=1.0),),
    many_channels=True,
    latency_s=LATENCY_S,
    version=2,
    settings=ContractionSettings,
    make=create,
    longest_bridge_s=0.1,
    most_in_10_s=30,
    filters=f"band-pass {LOW_HZ:g} to {HIGH_HZ:g} Hz or just under half the rate, mains notches",
)

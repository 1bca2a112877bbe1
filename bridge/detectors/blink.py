"""Blinks and long closures of the eyes, from frontal EEG or vertical EOG.

A blink is a pulse: it rises within a quarter of a second and falls back as fast. Its height is compared with
this person's own blinks of the last minute (``eyelid.BlinkScale``) and with the noise, its width with what
lids can do; a shift of gaze rises but does not fall back, an electrode pop is too narrow.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np

from bridge.detectors.closure import ClosureFinder
from bridge.detectors.eyelid import BlinkScale, Pulse, PulseFinder
from bridge.detectors.lead import Lead
from bridge.detectors.protocol import Detector, DetectorType, SettingsError, Trace, settings_from
from bridge.signals.butterworth import lowpass_delay_s
from bridge.signals.filters import design_band
from bridge.signals.types import Block, Channel, Detection, Event, Samples

# A blink's energy lies below 10 Hz; fourth order leaves 1/300 of 50 Hz hum.
_LOWPASS_HZ: Final = 12.0
_LOWPASS_ORDER: Final = 4
_DELAY_S: Final = lowpass_delay_s(_LOWPASS_ORDER, _LOWPASS_HZ)
_SETTLE_S: Final = 0.3
# An impulse through the low-pass is 50 ms wide at half height; the shortest blinks, 100 ms, come out at 70.
_NARROWEST_S: Final = 0.07
# Height needed, as a share of the typical blink: small for narrow pulses, more for wide ones, which gaze
# going up and coming back can make too.
_NARROW_S: Final = 0.2
_NARROW_SHARE: Final = 0.27
_WIDE_SHARE_PER_S: Final = 2.0
# Height needed over the noise (median change over 50 ms), with blinks known and without.
_OVER_NOISE: Final = 8.0
_OVER_NOISE_UNKNOWN: Final = 12.0
# The least blink a closure is measured by, over the noise.
_CLOSING_OVER_NOISE: Final = 12.0
# Muscle activity beyond the usual, as a share of the pulse's height: clenched jaws make pulses of any shape.
_ROUGH_SHARE: Final = 0.4
# A deliberate blink without a profile: this much higher than the typical one. Spontaneous blinks of the
# same person are rarely half as high again (Kaneko & Sakamoto 1999: deliberate ones are higher, not longer).
_DELIBERATE_RATIO: Final = 1.5


@dataclass(frozen=True, slots=True)
class BlinkSettings:
    """Heights are in the channel's unit, over the level the blink starts from.

    ``threshold``: least height of a narrow blink; None: from the person's own blinks and the noise.
    ``deliberate_threshold``: height from which a blink is deliberate; None: 1.5 times the typical one.
    ``polarity``: which way blinks point. ``learning_s``: no events for so long when no threshold is given.
    ``strictness``: factor on the least height that adapts, fitted to a person by a calibration.
    ``longest_s``: widest blink at half height. ``closure_s``: shortest long closure.
    ``time_constant_s``: of the amplifier's high-pass, 0 for a DC-coupled one; None: 1 s for EEG, 0 for EOG.
    """

    threshold: float | None = None
    deliberate_threshold: float | None = None
    polarity: Literal["auto", "positive", "negative"] = "auto"
    learning_s: float = 5.0
    strictness: float = 1.0
    longest_s: float = 0.5
    closure_s: float = 0.5
    time_constant_s: float | None = None

    def __post_init__(self) -> None:
        if self.polarity not in ("auto", "positive", "negative"):
            raise SettingsError(f"polarity must be auto, positive or negative, not {self.polarity!r}")
        for name in ("threshold", "deliberate_threshold"):
            value = getattr(self, name)
            if value is not None and not 0 < value < math.inf:
                raise SettingsError(f"{name} must be above 0, not {value!r}")
        if not 0.1 <= self.strictness <= 10:
            raise SettingsError(f"strictness must be from 0.1 to 10, not {self.strictness!r}")
        if not 0 <= self.learning_s <= 60:
            raise SettingsError(f"learning_s must be from 0 to 60 s, not {self.learning_s!r}")
        if not 0.1 <= self.longest_s <= 0.6:
            raise SettingsError(f"longest_s must be from 0.1 to 0.6 s, not {self.longest_s!r}")
        if not 0.3 <= self.closure_s <= 10:
            raise SettingsError(f"closure_s must be from 0.3 to 10 s, not {self.closure_s!r}")
        if self.time_constant_s is not None and not 0 <= self.time_constant_s <= 60:
            raise SettingsError(f"time_constant_s must be from 0 to 60 s, not {self.time_constant_s!r}")


_SIGNS = {"auto": 0, "positive": 1, "negative": -1}


class BlinkDetector:
    """Several channels are joined into one signal (the mean of their changes): one blink, one event."""

    def __init__(
        self, name: str, channels: Sequence[Channel], rate_hz: float, settings: BlinkSettings
    ) -> None:
        self.name = name
        self.settings = settings
        # First index, joined signal and least heights; None for the height that holds now.
        self._view: tuple[int, list[float], list[float] | None] | None = None
        self._rate = float(rate_hz)
        self._channel = "+".join(channel.name for channel in channels)
        sos = design_band(rate_hz, high_hz=_LOWPASS_HZ, order=_LOWPASS_ORDER)
        self._leads = [Lead(channel, rate_hz, sos, _SETTLE_S, weigh_roughness=True) for channel in channels]
        self._finders = {1: PulseFinder(rate_hz), -1: PulseFinder(rate_hz)}
        self._scale = BlinkScale(rate_hz, _SIGNS[settings.polarity])
        constant = settings.time_constant_s
        if constant is None:
            constant = 1.0 if any(channel.kind == "eeg" for channel in channels) else 0.0
        self._closure = ClosureFinder(rate_hz, constant, settings.closure_s)
        self.reset()

    def reset(self) -> None:
        for lead in self._leads:
            lead.reset()
        self._scale.reset()
        self._next: int | None = None
        self._seen = 0
        self._restart()
        self._view = None

    def _restart(self) -> None:
        """The joined signal starts anew."""
        self._y: float | None = None
        self._last = [math.nan] * len(self._leads)
        self._scale.restart()
        for finder in self._finders.values():
            finder.restart()
        self._closure.restart()

    def process(self, block: Block) -> list[Detection]:
        """Samples of shape (n, channels); the blinks and closures that were decided in them."""
        out: list[Detection] = []
        if self._next is not None and block.first != self._next:
            for lead in self._leads:
                lead.restart()
            out.extend(self._end(self._next - 1, block.first))
            self._restart()
        self._next = block.end
        row = block.row
        if row is not None:
            stepped: list[float] = []
            rough = 0.0
            for k, lead in enumerate(self._leads):
                stepped.append(lead.step(row[k]))
                rough = max(rough, lead.roughness)
            y = self._take(block.first, stepped, rough, out)
            self._view = (block.first, [y], None)
            return out
        columns = [lead.process(block.samples[:, k]) for k, lead in enumerate(self._leads)]
        conditioned: list[float] = []
        threshold: list[float] = []
        roughness = [max(values) for values in zip(*(lead.rough for lead in self._leads), strict=True)]
        for n, values in enumerate(zip(*columns, strict=True), block.first):
            conditioned.append(self._take(n, values, roughness[n - block.first], out))
            threshold.append(self._least())
        self._view = (block.first, conditioned, threshold)
        return out

    def _take(self, n: int, values: Sequence[float], rough: float, out: list[Detection]) -> float:
        """Sample ``n`` of all leads; the joined signal, NaN where there is none."""
        y = self._join(values)
        if y is not None:
            self._step(n, y, rough, out)
            return y
        if self._y is not None:
            out.extend(self._end(n, n))
            self._restart()
        return math.nan

    def flush(self) -> list[Detection]:
        """End an open closure."""
        return self._end(self._next - 1, self._next - 1) if self._next is not None else []

    def _join(self, values: Sequence[float]) -> float | None:
        """One value of all usable leads: the mean of their changes, added up, so that a lead may drop out."""
        change = 0.0
        usable = 0
        given = False
        last = self._last
        for k, value in enumerate(values):
            if value == value:
                given = True
                before = last[k]
                if before == before:
                    change += value - before
                    usable += 1
            last[k] = value
        if not given:
            return None
        return (self._y or 0.0) + (change / usable if usable else 0.0)

    def _step(self, n: int, y: float, rough: float, out: list[Detection]) -> None:
        self._y = y
        self._seen += 1
        scale = self._scale
        scale.watch(y)
        noise = scale.noise
        floor = _OVER_NOISE * noise
        if floor == math.inf:
            return
        for sign, finder in self._finders.items():
            pulse = finder.step(n, sign * y, floor)
            if pulse is None or not self._has_shape(pulse) or rough > _ROUGH_SHARE * pulse.height:
                continue
            if sign == scale.polarity and self._ready() and pulse.height >= self._needed(pulse):
                out.append(self._blink(n, pulse))
            scale.learn(n, pulse, sign)
        height, typical = 0.0, scale.typical
        if typical and self._ready() and rough <= _ROUGH_SHARE * typical:
            height = max(typical, _CLOSING_OVER_NOISE * noise)
        for edge, onset in self._closure.step(n, scale.polarity * y, height):
            out.append(self._closing(edge, onset, n))

    def _ready(self) -> bool:
        return self.settings.threshold is not None or self._seen >= self.settings.learning_s * self._rate

    def _has_shape(self, pulse: Pulse) -> bool:
        return _NARROWEST_S <= pulse.width / self._rate <= self.settings.longest_s

    def _least(self) -> float:
        """Least height of a narrow blink."""
        if self.settings.threshold is not None:
            return self.settings.threshold
        scale = self._scale
        if not scale.typical:
            return self.settings.strictness * _OVER_NOISE_UNKNOWN * scale.noise
        return self.settings.strictness * max(_OVER_NOISE * scale.noise, _NARROW_SHARE * scale.typical)

    def _needed(self, pulse: Pulse) -> float:
        wider = max(0.0, pulse.width / self._rate - _NARROW_S)
        return self._least() * (1 + wider * _WIDE_SHARE_PER_S / _NARROW_SHARE)

    def _blink(self, n: int, pulse: Pulse) -> Event:
        typical = self._scale.typical or pulse.height
        strength = pulse.height / typical
        given = self.settings.deliberate_threshold
        deliberate = strength >= _DELIBERATE_RATIO if given is None else pulse.height >= given
        values = {
            "amplitude": pulse.height,
            "duration": pulse.width / self._rate,
            "strength": strength,
            "deliberate": float(deliberate),
        }
        onset = max(0.0, pulse.peak / self._rate - _DELAY_S)
        confidence = min(1.0, 0.5 * pulse.height / self._needed(pulse))
        return Event("blink", "instant", onset, n / self._rate, self._channel, values, confidence, self.name)

    def _closing(self, edge: Literal["start", "end"], onset: float, n: int) -> Event:
        at = max(0.0, onset / self._rate - _DELAY_S)
        return Event("long-closure", edge, at, n / self._rate, self._channel, {}, 1.0, self.name)

    def _end(self, last: int, n: int) -> list[Detection]:
        """An open closure ends with sample ``last``, as is known at sample ``n``."""
        return [self._closing("end", min(last, n), n)] if self._closure.close() else []

    @property
    def trace(self) -> Trace | None:
        """The joined, low-passed signal; the resting level and the least height of a blink over it."""
        if self._view is None:
            return None
        first, conditioned, threshold = self._view
        y: Samples = np.array(conditioned)
        resting = self._scale.resting
        sign = self._scale.polarity
        least: Samples = resting + sign * np.array([self._least()] if threshold is None else threshold)
        level: Samples = np.full(len(y), resting)
        upper, lower = (least, level) if sign > 0 else (level, least)
        return Trace(first, y, upper, lower)


def create(name: str, channels: Sequence[Channel], rate: float, settings: Mapping[str, Any]) -> Detector:
    """A blink detector. Raises SettingsError, or SamplingRateError below 24 Hz."""
    return BlinkDetector(name, channels, rate, settings_from(BlinkSettings, settings))


TYPE: DetectorType = DetectorType(
    name="blink",
    kinds=("eeg", "eog-vertical"),
    events=("blink", "long-closure"),
    levels=(),
    many_channels=True,
    latency_s=1.2,
    version=1,
    settings=BlinkSettings,
    make=create,
    longest_bridge_s=0.1,
    most_in_10_s=40,
    filters=f"low-pass {_LOWPASS_HZ:g} Hz, order {_LOWPASS_ORDER}",
)

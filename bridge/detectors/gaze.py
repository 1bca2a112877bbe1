"""Shifts of gaze and where the eyes rest, from horizontal and vertical EOG.

Every shift the eyes make is an event, the way back too; which way they rest is a state of its own
(``looking-left``, ``looking-right``, ``looking-centre``), so that looking back is not the opposite command.
Positive is right, and up, unless ``horizontal_polarity`` or ``vertical_polarity`` is -1.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np

from bridge.detectors.eyelid import BlinkScale, Pulse, PulseFinder
from bridge.detectors.kinds import AS_THE_CHANNEL, EventType, LevelType, Quantity, Tolerance
from bridge.detectors.lead import Lead
from bridge.detectors.protocol import Detector, DetectorType, SettingsError, Trace, settings_from
from bridge.detectors.resting import Resting, RestingPlace
from bridge.detectors.shift import Shift, ShiftFinder
from bridge.signals.butterworth import lowpass_delay_s
from bridge.signals.filters import design_band
from bridge.signals.types import Block, Channel, Detection, Event, Level

# Saccades lie below 35 Hz; the means of the shift finder take out what is left of 50 and 60 Hz.
_LOWPASS_HZ: Final = 25.0
_LOWPASS_ORDER: Final = 4
_DELAY_S: Final = lowpass_delay_s(_LOWPASS_ORDER, _LOWPASS_HZ)
_SETTLE_S: Final = 0.3
# A shift up may still turn out to be a blink: within this time a blink falls back (duration at most 400 ms).
_BLINK_WAIT_S: Final = 0.25
# After a blink the lid's way back down is no shift.
_BLINK_OVER_S: Final = 0.3
# Heights of pulses taken for blinks on the vertical channel, and what crosses over to the horizontal one.
_BLINK_SHARE: Final = 0.27
_CROSSTALK: Final = 0.25
_NARROWEST_S: Final = 0.06
_WIDEST_S: Final = 0.35
_LEVEL_EVERY_S: Final = 0.05


@dataclass(frozen=True, slots=True)
class GazeSettings:
    """Heights are in the channel's unit.

    ``horizontal_threshold``, ``vertical_threshold``: least shift; None: from the person's own shifts and the
    noise. ``*_polarity``: 1 when positive is right (up), else -1. ``degrees_per_unit``: from a calibration;
    gives degrees and the level ``gaze-angle``. ``time_constant_s``: of the amplifier's high-pass, 0 for a
    DC-coupled one; None: found from the signal. ``learning_s``: no events for so long when no threshold is
    given. ``strictness``: factor on the thresholds that adapt, fitted to a person by a calibration.
    ``unknown_after_s``: the resting place is unknown after so long without a shift.
    """

    horizontal_threshold: float | None = None
    vertical_threshold: float | None = None
    horizontal_polarity: int = 1
    vertical_polarity: int = 1
    degrees_per_unit: float | None = None
    time_constant_s: float | None = None
    learning_s: float = 5.0
    strictness: float = 1.0
    unknown_after_s: float = 20.0

    def __post_init__(self) -> None:
        for name in ("horizontal_threshold", "vertical_threshold", "degrees_per_unit"):
            value = getattr(self, name)
            if value is not None and not 0 < value < math.inf:
                raise SettingsError(f"{name} must be above 0, not {value!r}")
        for name in ("horizontal_polarity", "vertical_polarity"):
            if getattr(self, name) not in (1, -1):
                raise SettingsError(f"{name} must be 1 or -1, not {getattr(self, name)!r}")
        if self.time_constant_s is not None and not 0 <= self.time_constant_s <= 60:
            raise SettingsError(f"time_constant_s must be from 0 to 60 s, not {self.time_constant_s!r}")
        if not 0.1 <= self.strictness <= 10:
            raise SettingsError(f"strictness must be from 0.1 to 10, not {self.strictness!r}")
        if not 0 <= self.learning_s <= 60:
            raise SettingsError(f"learning_s must be from 0 to 60 s, not {self.learning_s!r}")
        if not 1 <= self.unknown_after_s <= 3600:
            raise SettingsError(f"unknown_after_s must be from 1 to 3600 s, not {self.unknown_after_s!r}")

    @property
    def decay_rate(self) -> float | None:
        if self.time_constant_s is None:
            return None
        return 1 / self.time_constant_s if self.time_constant_s else 0.0


class _Axis:
    """One direction of movement: the leads that show it, joined, and its shift finder."""

    def __init__(
        self,
        channels: Sequence[tuple[int, Channel]],
        rate_hz: float,
        settings: GazeSettings,
        horizontal: bool,
    ) -> None:
        sos = design_band(rate_hz, high_hz=_LOWPASS_HZ, order=_LOWPASS_ORDER)
        self.horizontal = horizontal
        self.columns = [column for column, _ in channels]
        self.name = "+".join(channel.name for _, channel in channels)
        self.leads = [Lead(channel, rate_hz, sos, _SETTLE_S) for _, channel in channels]
        self.sign = settings.horizontal_polarity if horizontal else settings.vertical_polarity
        threshold = self._threshold(settings)
        self.finder = ShiftFinder(rate_hz, threshold, settings.decay_rate, settings.strictness)

    def _threshold(self, settings: GazeSettings) -> float | None:
        return settings.horizontal_threshold if self.horizontal else settings.vertical_threshold

    def follow(self, settings: GazeSettings) -> None:
        """Take another least shift, from the next samples on."""
        self.finder.threshold = self._threshold(settings)

    @property
    def given(self) -> bool:
        return self.finder.threshold is not None

    def reset(self) -> None:
        for lead in self.leads:
            lead.reset()
        self.finder.reset()
        self.active = False

    def condition(self, block: Block) -> list[float]:
        """The mean of the leads, NaN where one of them is unusable."""
        columns = [
            lead.process(block.samples[:, k]) for lead, k in zip(self.leads, self.columns, strict=True)
        ]
        if len(columns) == 1:
            return columns[0]
        return [sum(values) / len(values) for values in zip(*columns, strict=True)]

    def condition_one(self, values: list[float]) -> float:
        """The same for one sample of each channel."""
        if len(self.leads) == 1:
            return self.leads[0].step(values[self.columns[0]])
        steps = [lead.step(values[k]) for lead, k in zip(self.leads, self.columns, strict=True)]
        return sum(steps) / len(steps)


@dataclass(frozen=True, slots=True)
class _Waiting:
    """A vertical shift that may still be a blink's rise."""

    shift: Shift
    until: int


class GazeDetector:
    """Horizontal and vertical channels, one or both kinds."""

    def __init__(
        self, name: str, channels: Sequence[Channel], rate_hz: float, settings: GazeSettings
    ) -> None:
        self.name = name
        self._settings = settings
        self._view: tuple[int, list[float], list[float]] | None = None
        rate_hz = self._rate = float(rate_hz)
        wide = [(k, channel) for k, channel in enumerate(channels) if channel.kind == "eog-horizontal"]
        tall = [(k, channel) for k, channel in enumerate(channels) if channel.kind != "eog-horizontal"]
        self._axes = [_Axis(group, rate_hz, settings, group is wide) for group in (wide, tall) if group]
        # The vertical channel first: it knows whether the horizontal one shows a blink.
        self._order = list(enumerate(self._axes))[::-1]
        self._pulses = PulseFinder(rate_hz)
        self._blinks = BlinkScale(rate_hz, 1)
        self._resting = Resting(rate_hz, settings.unknown_after_s)
        self._level_every = max(1, round(_LEVEL_EVERY_S * rate_hz))
        self.reset()

    @property
    def settings(self) -> GazeSettings:
        return self._settings

    @settings.setter
    def settings(self, settings: GazeSettings) -> None:
        """Only thresholds are taken while it runs: they follow the person (``calibration.following``)."""
        self._settings = settings
        for axis in self._axes:
            axis.follow(settings)

    def reset(self) -> None:
        for axis in self._axes:
            axis.reset()
        self._blinks.reset()
        self._next: int | None = None
        self._seen = 0
        self._forget_movement()
        self._resting.close()
        self._view = None

    def _forget_movement(self) -> None:
        self._pulses.restart()
        self._blinks.restart()
        self._waiting: _Waiting | None = None
        self._blink_until = -1
        self._blink_height = 0.0

    def process(self, block: Block) -> list[Detection]:
        """Samples of shape (n, channels); the shifts and states that were decided in them."""
        out: list[Detection] = []
        if self._next is not None and block.first != self._next:
            out.extend(self._close(self._next - 1, block.first))
            for axis in self._axes:
                axis.finder.restart()
                axis.active = False
                for lead in axis.leads:
                    lead.restart()
            self._forget_movement()
        self._next = block.end
        heights: list[float] = []
        least: list[float] = []
        self._view = (block.first, heights, least)
        row = block.row
        if row is not None:
            self._take(block.first, [axis.condition_one(row) for axis in self._axes], out, heights, least)
            return out
        rows = zip(*(axis.condition(block) for axis in self._axes), strict=True)
        for n, values in enumerate(rows, start=block.first):
            self._take(n, values, out, heights, least)
        return out

    def _take(
        self,
        n: int,
        values: Sequence[float],
        out: list[Detection],
        heights: list[float],
        least: list[float],
    ) -> None:
        """Sample ``n`` of all axes; ``heights`` and ``least`` are for the trace."""
        self._seen += 1
        for place, axis in self._order:
            self._step(axis, n, values[place], out)
        self._rest(n, out)
        first = self._axes[0]
        heights.append(first.finder.step_height if first.active else math.nan)
        least.append(first.finder.least)

    @property
    def trace(self) -> Trace | None:
        """The step of the first axis (the mean after less the mean before) and the least shift either way."""
        if self._view is None:
            return None
        first, heights, least = self._view
        threshold = np.array(least)
        return Trace(first, np.array(heights), threshold, -threshold)

    def flush(self) -> list[Detection]:
        """End the state that is open."""
        return self._close(self._next - 1, self._next - 1) if self._next is not None else []

    def _step(self, axis: _Axis, n: int, value: float, out: list[Detection]) -> None:
        if value != value:
            if axis.active:
                axis.active = False
                axis.finder.restart()
                if axis.horizontal:
                    out.extend(self._close(n, n))
                else:
                    self._forget_movement()
            return
        axis.active = True
        value *= axis.sign
        shift = axis.finder.step(n, value)
        if axis.horizontal:
            if shift is not None and not self._is_crosstalk(shift, n):
                self._horizontal(axis, shift, n, out)
        else:
            self._vertical(axis, n, value, shift, out)

    def _ready(self, axis: _Axis) -> bool:
        return axis.given or self._seen >= self.settings.learning_s * self._rate

    def _is_crosstalk(self, shift: Shift, n: int) -> bool:
        return n <= self._blink_until and abs(shift.amplitude) < _CROSSTALK * self._blink_height

    def _horizontal(self, axis: _Axis, shift: Shift, n: int, out: list[Detection]) -> None:
        if not self._ready(axis):
            return
        event = self._event("gaze-right" if shift.amplitude > 0 else "gaze-left", axis, shift, n)
        out.append(event)
        for edge, place in self._resting.shift(n, shift.amplitude, axis.finder.typical, axis.finder.least):
            out.append(self._state(edge, place, event.onset, n))

    def _vertical(self, axis: _Axis, n: int, value: float, shift: Shift | None, out: list[Detection]) -> None:
        self._blinks.watch(value)
        least = axis.finder.least
        if least < math.inf:
            pulse = self._pulses.step(n, value, max(least, _BLINK_SHARE * self._blinks.typical))
            if pulse is not None and _NARROWEST_S <= pulse.width / self._rate <= _WIDEST_S:
                self._blinks.learn(n, pulse, 1)
                self._blink(n, pulse)
        waiting = self._waiting
        if waiting is not None and n >= waiting.until:
            self._waiting = None
            if self._ready(axis):
                out.append(self._event("gaze-up", axis, waiting.shift, n))
        if shift is None or n <= self._blink_until:
            return
        if shift.amplitude > 0:
            self._waiting = _Waiting(shift, n + round(_BLINK_WAIT_S * self._rate))
        else:
            self._waiting = None
            if self._ready(axis):
                out.append(self._event("gaze-down", axis, shift, n))

    def _blink(self, n: int, pulse: Pulse) -> None:
        self._waiting = None
        self._blink_until = n + round(_BLINK_OVER_S * self._rate)
        self._blink_height = pulse.height

    def _rest(self, n: int, out: list[Detection]) -> None:
        for edge, place in self._resting.tick(n):
            out.append(self._state(edge, place, n / self._rate, n))
        scale = self.settings.degrees_per_unit
        axis = self._axes[0]
        if scale is not None and axis.horizontal and n % self._level_every == 0 and axis.active:
            angle = self._resting.position
            if angle is not None:
                out.append(Level("gaze-angle", n / self._rate, angle * scale, axis.name, self.name))

    def _close(self, last: int, n: int) -> list[Detection]:
        """The place is unknown after sample ``last``, as is known at sample ``n``."""
        onset = min(last, n) / self._rate
        return [self._state(edge, place, onset, n) for edge, place in self._resting.close()]

    def _event(self, kind: str, axis: _Axis, shift: Shift, n: int) -> Event:
        values = {"amplitude": shift.amplitude, "velocity": shift.velocity}
        if self.settings.degrees_per_unit is not None and axis.horizontal:
            values["degrees"] = shift.amplitude * self.settings.degrees_per_unit
        onset = max(0.0, shift.start / self._rate - _DELAY_S)
        confidence = min(1.0, 0.5 * shift.over)
        return Event(kind, "instant", onset, n / self._rate, axis.name, values, confidence, self.name)

    def _state(self, edge: Literal["start", "end"], place: RestingPlace, onset: float, n: int) -> Event:
        name = self._axes[0].name
        return Event(f"looking-{place}", edge, onset, n / self._rate, name, {}, 1.0, self.name)


def create(name: str, channels: Sequence[Channel], rate: float, settings: Mapping[str, Any]) -> Detector:
    """A gaze detector. Raises SettingsError, or SamplingRateError below 50 Hz."""
    return GazeDetector(name, channels, rate, settings_from(GazeSettings, settings))


_GLANCES: Final = tuple(
    EventType(
        f"gaze-{way}",
        f"a glance {words}",
        values={
            "amplitude": Quantity("how far the eyes moved, positive to the right and up", AS_THE_CHANNEL),
            "velocity": Quantity("the fastest of the movement", AS_THE_CHANNEL + " a second"),
            "degrees": Quantity("how far the eyes moved, where a calibration told the scale", "°"),
        },
        tolerance=Tolerance(0.100, 0.400),
        family="gaze to the side" if way in ("left", "right") else "gaze up and down",
    )
    for way, words in (("left", "to the left"), ("right", "to the right"), ("up", "up"), ("down", "down"))
)
_LOOKING: Final = tuple(
    EventType(f"looking-{place}", f"looking {words}", lasts=True, scored=False)
    for place, words in (("left", "left"), ("right", "right"), ("centre", "straight ahead"))
)
TYPE: DetectorType = DetectorType(
    name="gaze",
    kinds=("eog-horizontal", "eog-vertical"),
    events=(*_GLANCES, *_LOOKING),
    levels=(LevelType("gaze-angle", hysteresis=1.0, unit="degrees"),),
    many_channels=True,
    latency_s=0.6,
    version=1,
    settings=GazeSettings,
    make=create,
    longest_bridge_s=0.1,
    most_in_10_s=120,
    filters=f"low-pass {_LOWPASS_HZ:g} Hz, order {_LOWPASS_ORDER}",
)

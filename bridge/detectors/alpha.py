"""The eyes-closed rhythm: power round 10 Hz over the back of the head that rises when the eyes close.

The band of a person's own peak (8 to 12 Hz without a calibration) is compared with its neighbours below and
above, as densities: their geometric mean is what a spectrum that falls evenly would have between them, so
neither the amplifier's gain nor the background's strength matters. Band powers are squares of causally
filtered signal, averaged over a second or more; several electrodes are averaged as logarithms. Blinks and
slow waves raise the lower neighbour, muscles the upper one: both hide the rhythm, neither makes one.

How much of the rhythm there is with open eyes differs between people by more than closing them changes it:
no fixed contrast can tell the two. A calibration measures both. Without one the level with open eyes is taken
from the last five minutes, in which the eyes are taken to be open for the most part; until two were seen it
is not known yet, and the detector says nothing: no event, no level. Only a rhythm that stands clear of what
is usual is then found.

Best on O1 and O2; frontal electrodes show less of it, and some people show hardly any (common practice).
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import log
from typing import Any, Final, Literal

import numpy as np

from bridge.detectors.kinds import EventType, LevelType, Quantity
from bridge.detectors.lead import BEYOND
from bridge.detectors.protocol import Detector, DetectorType, SettingsError, Trace, settings_from
from bridge.signals.filters import CausalFilter, design_band, running_mean
from bridge.signals.types import Block, Channel, Detection, Event, Level, Samples

HALF_WIDTH_HZ: Final = 2.0
BELOW_HZ = (-5.0, -3.0)  # the neighbours, from the peak
ABOVE_HZ = (4.0, 8.0)
AVERAGE_S: Final = 2.0
TIME_CONSTANTS: Final = 3.0  # until the averages have settled
LEVEL_EVERY_S: Final = 0.1
FULL: Final = log(8.0)  # a contrast of 8 is level 1
_LEAST: Final = 1e-18
# What is usual of late: a value every half second over five minutes, looked at every five seconds.
RECENT_S: Final = 300.0
KNOWN_AFTER_S: Final = 120.0
_VALUE_EVERY_S: Final = 0.5
_LOOK_EVERY_S: Final = 5.0
# With open eyes most of the time the median is theirs, and what lies below it has nothing of closed ones:
# one in six lies a standard deviation below. What one in a hundred reaches, 2.326 above, is not usual.
_SIXTH: Final = 0.159
_CLEAR_SDS: Final = 2.326
_BACK: Final = 0.5  # the rhythm is over this share of the way back to the usual level


@dataclass(frozen=True, slots=True)
class AlphaSettings:
    """``peak_hz``: this person's own peak. ``start_contrast``, ``end_contrast``: density of the band over its
    neighbours' geometric mean at which the rhythm begins and is over, for ``lasting_s``; None: told from the
    last minutes. ``average_s``: time constant of the averages; a weak rhythm needs longer ones.
    ``half_width_hz``: the band to either side of the peak; some people have a second rhythm nearby that open
    eyes do not stop, and need a narrow one.
    """

    peak_hz: float = 10.0
    start_contrast: float | None = None
    end_contrast: float | None = None
    lasting_s: float = 0.5
    average_s: float = AVERAGE_S
    half_width_hz: float = HALF_WIDTH_HZ

    def __post_init__(self) -> None:
        if not 7 <= self.peak_hz <= 14:
            raise SettingsError("peak_hz must lie between 7 and 14 Hz")
        if not 0.5 <= self.half_width_hz <= HALF_WIDTH_HZ:
            raise SettingsError("half_width_hz must lie between 0.5 and 2 Hz")
        start, end = self.start_contrast, self.end_contrast
        if (start is None) != (end is None):
            raise SettingsError("start_contrast and end_contrast are given together, or neither")
        if start is not None and end is not None and not 0 < end < start < 1000:
            raise SettingsError("must be: 0 < end_contrast < start_contrast")
        if not 0.5 <= self.average_s <= 10:
            raise SettingsError("average_s must lie between 0.5 and 10 s")
        if not 0 <= self.lasting_s <= 10:
            raise SettingsError("lasting_s must lie between 0 and 10 s")


class BandDensity:
    """Mean square of a band a hertz, one value a sample, causal; ``average_s`` is its time constant."""

    def __init__(self, rate_hz: float, low_hz: float, high_hz: float, average_s: float = AVERAGE_S) -> None:
        """Raises SamplingRateError where the band is not below half the sampling rate."""
        self._band = CausalFilter(design_band(rate_hz, low_hz, high_hz))
        self._mean = CausalFilter(running_mean(rate_hz, average_s))
        self._width_hz = high_hz - low_hz

    def reset(self) -> None:
        self._band.reset()
        self._mean.reset()

    def process(self, x: Samples) -> Samples:
        y = self._band.process(x)
        return self._mean.process(y * y) / self._width_hz


class UsualContrast:
    """The contrast of the last minutes, as logarithms, and what stands clear of it."""

    def __init__(self) -> None:
        self._values: deque[float] = deque(maxlen=round(RECENT_S / _VALUE_EVERY_S))

    def reset(self) -> None:
        self._values.clear()

    def add(self, value: float) -> None:
        """One value each half second."""
        self._values.append(value)

    def limits(self) -> tuple[float, float] | None:
        """Where the rhythm begins and where it is over; None while what is usual is not known yet."""
        if len(self._values) < KNOWN_AFTER_S / _VALUE_EVERY_S:
            return None
        ranked = sorted(self._values)
        usual = ranked[len(ranked) // 2]
        spread = usual - ranked[int(_SIXTH * len(ranked))]
        start = usual + _CLEAR_SDS * spread
        return (start, start - _BACK * (start - usual)) if spread > 0 else None


class AlphaDetector:
    """See the module's text; the contract is ``bridge.detectors.protocol.Detector``.

    An event's values: ``contrast``. ``onset`` is when the contrast first passed the threshold; the averaging
    lets it pass about a second after the eyes close.
    """

    def __init__(
        self, name: str, channels: Sequence[Channel], rate_hz: float, settings: AlphaSettings
    ) -> None:
        """Raises SamplingRateError where the rate does not carry the upper neighbour."""
        self.name = name
        self.rate_hz = float(rate_hz)
        self._settings = settings
        self._channel = "+".join(channel.name for channel in channels)
        peak = settings.peak_hz
        bands = (
            (peak - settings.half_width_hz, peak + settings.half_width_hz),
            (peak + BELOW_HZ[0], peak + BELOW_HZ[1]),
            (peak + ABOVE_HZ[0], peak + ABOVE_HZ[1]),
        )
        average_s = settings.average_s
        self._leads = [[BandDensity(rate_hz, *band, average_s) for band in bands] for _ in channels]
        self._lasting = max(1, round(settings.lasting_s * rate_hz))
        self._settle = round(TIME_CONSTANTS * average_s * rate_hz)
        self._every = max(1, round(LEVEL_EVERY_S * rate_hz))
        self._value_every = max(1, round(_VALUE_EVERY_S * rate_hz))
        self._look_every = max(1, round(_LOOK_EVERY_S * rate_hz))
        self._usual = UsualContrast()
        start, end = settings.start_contrast, settings.end_contrast
        self._given = None if start is None or end is None else (log(start), log(end))
        self._trace: Trace | None = None
        self.reset()

    @property
    def settings(self) -> AlphaSettings:
        return self._settings

    @property
    def trace(self) -> Trace | None:
        """The contrast's logarithm with the two thresholds."""
        return self._trace

    def reset(self) -> None:
        self._expected: int | None = None
        self._trace = None
        self._open = False
        self._usual.reset()
        self._limits = self._given
        self._restart()

    def _restart(self) -> None:
        for lead in self._leads:
            for band in lead:
                band.reset()
        self._seen = 0
        self._since: int | None = None

    def process(self, block: Block) -> list[Detection]:
        out: list[Detection] = []
        if len(block) == 0:
            return out
        view, upper, lower = np.full((3, len(block)), np.nan)
        sound = np.asarray((np.abs(block.samples) < BEYOND).all(axis=1))
        bounds = [0, *(np.flatnonzero(np.diff(sound)) + 1).tolist(), len(block)]
        for start, stop in pairwise(bounds):
            first = block.first + start
            if self._expected is not None and (first != self._expected or not sound[start]):
                out.extend(self._end(first))
                self._restart()
                self._expected = None
            if not sound[start]:
                continue
            self._run(block.samples[start:stop], first, out, (view[start:], upper[start:], lower[start:]))
            self._expected = block.first + stop
        self._trace = Trace(block.first, view, upper, lower)
        return out

    def flush(self) -> list[Detection]:
        return [] if self._expected is None else self._end(self._expected - 1)

    def _run(
        self,
        samples: Samples,
        first: int,
        out: list[Detection],
        drawn: tuple[Samples, Samples, Samples],
    ) -> None:
        """Contrast and limits are drawn too, each sample at its place."""
        total = np.zeros(len(samples))
        known = np.zeros(len(samples))
        for column, lead in enumerate(self._leads):
            x = np.ascontiguousarray(samples[:, column])
            band, below, above = (density.process(x) for density in lead)
            there = (band > _LEAST) & (below > _LEAST) & (above > _LEAST)
            safe = [np.where(there, values, 1.0) for values in (band, below, above)]
            total += np.where(there, np.log(safe[0]) - 0.5 * (np.log(safe[1]) + np.log(safe[2])), 0.0)
            known += there
        contrast = np.where(known > 0, total / np.maximum(known, 1), np.nan)
        view, upper, lower = drawn
        for offset, value in enumerate(contrast.tolist()):
            self._seen += 1
            index = first + offset
            if self._seen < self._settle or value != value:
                continue
            view[offset] = value
            if self._given is None:
                if index % self._value_every == 0:
                    self._usual.add(value)
                # While it is there too: what lasts becomes usual, and so nothing stays on for ever.
                if index % self._look_every == 0:
                    self._limits = self._usual.limits()
            if self._limits is None:
                continue
            start, end = self._limits
            upper[offset], lower[offset] = start, end
            if index % self._every == 0:
                share = min(1.0, max(0.0, value / FULL))
                out.append(Level("alpha-level", index / self.rate_hz, share, self._channel, self.name))
            beyond = value < end if self._open else value > start
            if not beyond:
                self._since = None
                continue
            if self._since is None:
                self._since = index
            if index - self._since + 1 >= self._lasting:
                self._open = not self._open
                out.append(self._event("start" if self._open else "end", self._since, index, value))
                self._since = None

    def _end(self, index: int) -> list[Detection]:
        """The signal is gone, which is known at ``index``: what is open ends with the last sample."""
        if not self._open:
            return []
        self._open = False
        assert self._expected is not None
        return [self._event("end", min(self._expected - 1, index), index, 0.0)]

    def _event(self, edge: Literal["start", "end"], onset: int, index: int, contrast: float) -> Event:
        assert self._limits is not None
        confidence = min(1.0, 0.5 + abs(contrast - self._limits[0]) / FULL)
        values = {"contrast": float(np.exp(min(contrast, 50.0)))}
        rate_hz = self.rate_hz
        return Event(
            "alpha", edge, onset / rate_hz, index / rate_hz, self._channel, values, confidence, self.name
        )


def create(name: str, channels: Sequence[Channel], rate_hz: float, settings: Mapping[str, Any]) -> Detector:
    """An eyes-closed rhythm detector. Raises SettingsError, or SamplingRateError below 36 Hz."""
    return AlphaDetector(name, channels, rate_hz, settings_from(AlphaSettings, settings))


_ALPHA: Final = EventType(
    "alpha",
    "the eyes-closed rhythm",
    lasts=True,
    values={"contrast": Quantity("power of the rhythm's band over that of the bands beside it")},
)
TYPE: DetectorType = DetectorType(
    name="alpha",
    kinds=("eeg",),
    events=(_ALPHA,),
    levels=(LevelType("alpha-level", hysteresis=0.05, lowest=0.0, highest=1.0),),
    many_channels=True,
    latency_s=0.6,
    version=2,
    settings=AlphaSettings,
    make=create,
    longest_bridge_s=0.1,
    filters="band-passes round the peak and beside it, squares averaged",
    most_in_10_s=10,
    caution="the eyes-closed rhythm needs a calibration with eyes open and closed to be believed; without "
    "one nothing is known for two minutes, then only a rhythm far above that of the last five is found",
)

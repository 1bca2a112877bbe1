"""Blinks and long closures of the eyes, from frontal EEG or vertical EOG.

A blink is a pulse: it rises within a quarter of a second and falls back as fast. Whether a pulse is one is
weighed by its height over this person's usual blink and over the noise, by its width and form, and by how
quiet the signal was before it (``blinking.Blinking``). Which way blinks point and how high they are is learnt
from plain pulses only; what the amplifier's high-pass does to them is learnt too (``recently.Coupling``).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np

from bridge.detectors.blinking import NARROWEST_S, UNKNOWN_OVER_NOISE, Blinking, LidPulse
from bridge.detectors.closure import ClosureFinder
from bridge.detectors.eyelid import Pulse, PulseFinder
from bridge.detectors.joined import JoinedLeads
from bridge.detectors.kinds import AS_THE_CHANNEL, EventType, Quantity, Tolerance
from bridge.detectors.lead import Lead
from bridge.detectors.protocol import Detector, DetectorType, SettingsError, Trace, settings_from
from bridge.detectors.recently import Coupling, Recently
from bridge.signals.butterworth import lowpass_delay_s
from bridge.signals.filters import design_band
from bridge.signals.types import Block, Channel, Detection, Event, Samples

# A blink's energy lies below 10 Hz; fourth order leaves 1/300 of 50 Hz hum.
_LOWPASS_HZ: Final = 12.0
_LOWPASS_ORDER: Final = 4
# Of the low-pass, which the time of a peak is put right by.
DELAY_S: Final = lowpass_delay_s(_LOWPASS_ORDER, _LOWPASS_HZ)
_SETTLE_S: Final = 0.3
# Pulses lower than this over the noise (median change over 50 ms) are not looked at.
_OVER_NOISE: Final = 4.0
# The time before a pulse that tells how quiet the signal was: from here to before the rise.
_BEFORE_S: Final = 0.55
_RISES_WITHIN_S: Final = 0.15
_RISES: Final = 2.5  # times the time from half height to the peak
# Lids cannot close again sooner (common practice: no faster than four or five blinks a second).
_REFRACTORY_S: Final = 0.2
# The least blink a closure is measured by, over the noise.
_CLOSING_OVER_NOISE: Final = 12.0
# Muscle activity beyond the usual, as a share of the pulse's height: clenched jaws make pulses of any shape.
_ROUGH_SHARE: Final = 0.4
# A blink that comes with a shift of gaze must fall back by this share of the usual height, when so many are
# known: the overshoot of a saccade is less.
_ON_STEP: Final = 0.65
_KNOWN: Final = 5
_ASSUMED_TIME_CONSTANT_S: Final = 1.0  # of an EEG amplifier, until the signal has shown it


@dataclass(frozen=True, slots=True)
class BlinkSettings:
    """Heights are in the channel's unit, over the level the blink starts from.

    ``threshold``: least height of a narrow blink; None: from the person's own blinks and the noise.
    ``deliberate_threshold``: from where a blink is deliberate, by its height, its width in seconds or
    its speed (height over width, units a second), by ``deliberate_by``; None: by height, where it can tell.
    ``polarity``: which way blinks point. ``learning_s``: no events for so long when no threshold is given.
    ``strictness``: factor on the least height that adapts, fitted to a person by a calibration.
    ``height`` and ``width_s``: of this person's usual blink, from a calibration; followed from there.
    ``shortest_s`` and ``longest_s``: narrowest and widest blink at half height, after the low-pass.
    ``closure_s``: shortest long closure.
    ``time_constant_s``: of the amplifier's high-pass, 0 for a DC-coupled one; None: 1 s for EEG, 0 for EOG.
    """

    threshold: float | None = None
    deliberate_threshold: float | None = None
    deliberate_by: Literal["height", "width", "speed"] = "height"
    polarity: Literal["auto", "positive", "negative"] = "auto"
    learning_s: float = 5.0
    strictness: float = 1.0
    height: float | None = None
    width_s: float | None = None
    shortest_s: float = NARROWEST_S
    longest_s: float = 0.5
    closure_s: float = 0.5
    time_constant_s: float | None = None

    def __post_init__(self) -> None:
        if self.polarity not in ("auto", "positive", "negative"):
            raise SettingsError(f"polarity must be auto, positive or negative, not {self.polarity!r}")
        if self.deliberate_by not in ("height", "width", "speed"):
            raise SettingsError(f"deliberate_by must be height, width or speed, not {self.deliberate_by!r}")
        for name in ("threshold", "deliberate_threshold", "height"):
            value = getattr(self, name)
            if value is not None and not 0 < value < math.inf:
                raise SettingsError(f"{name} must be above 0, not {value!r}")
        if not 0.1 <= self.strictness <= 10:
            raise SettingsError(f"strictness must be from 0.1 to 10, not {self.strictness!r}")
        if not 0 <= self.learning_s <= 60:
            raise SettingsError(f"learning_s must be from 0 to 60 s, not {self.learning_s!r}")
        if self.width_s is not None and not 0.03 <= self.width_s <= 0.5:
            raise SettingsError(f"width_s must be from 0.03 to 0.5 s, not {self.width_s!r}")
        if not 0.03 <= self.shortest_s <= 0.1:
            raise SettingsError(f"shortest_s must be from 0.03 to 0.1 s, not {self.shortest_s!r}")
        if not 0.1 <= self.longest_s <= 0.6:
            raise SettingsError(f"longest_s must be from 0.1 to 0.6 s, not {self.longest_s!r}")
        if not 0.3 <= self.closure_s <= 10:
            raise SettingsError(f"closure_s must be from 0.3 to 10 s, not {self.closure_s!r}")
        if self.time_constant_s is not None and not 0 <= self.time_constant_s <= 60:
            raise SettingsError(f"time_constant_s must be from 0 to 60 s, not {self.time_constant_s!r}")


_SIGNS = {"auto": 0, "positive": 1, "negative": -1}


class BlinkDetector:
    """Several channels are joined into one signal: one blink, one event."""

    def __init__(
        self, name: str, channels: Sequence[Channel], rate_hz: float, settings: BlinkSettings
    ) -> None:
        self.name = name
        self.settings = settings
        # First index, joined signal and least heights; None before the first block.
        self._view: tuple[int, list[float], list[float]] | None = None
        self._rate = float(rate_hz)
        self._channel = "+".join(channel.name for channel in channels)
        sos = design_band(rate_hz, high_hz=_LOWPASS_HZ, order=_LOWPASS_ORDER)
        self._leads = [Lead(channel, rate_hz, sos, _SETTLE_S, weigh_roughness=True) for channel in channels]
        self._joined = JoinedLeads(len(channels), rate_hz)
        self._finders = {1: PulseFinder(rate_hz), -1: PulseFinder(rate_hz)}
        self._recently = Recently(rate_hz)
        self._blinking = Blinking(_SIGNS[settings.polarity], settings.height or 0.0, settings.width_s or 0.0)
        constant = settings.time_constant_s
        given = None if constant is None else 1 / constant if constant else 0.0
        is_eeg = any(channel.kind == "eeg" for channel in channels)
        self._coupling = Coupling(rate_hz, given, 1 / _ASSUMED_TIME_CONSTANT_S if is_eeg else 0.0)
        self._closure = ClosureFinder(rate_hz, settings.closure_s)
        self.reset()

    def reset(self) -> None:
        for lead in self._leads:
            lead.reset()
        self._joined.reset()
        self._recently.reset()
        self._blinking.reset()
        self._coupling.reset()
        self._joining = False
        self._next_conditioned: int | None = None
        self._next: int | None = None
        self._seen = 0
        self._restart()
        self._view = None

    def _restart(self) -> None:
        """The joined signal starts anew."""
        self._running = False
        self._recently.restart()
        for finder in self._finders.values():
            finder.restart()
        self._closure.restart()
        self._blinked = -(1 << 60)  # sample index of the last blink's peak
        self._plain_peak: int | None = None  # of a blink that will tell the amplifier's coupling

    def process(self, block: Block) -> list[Detection]:
        """Samples of shape (n, channels); the blinks and closures that were decided in them."""
        return self.decide(block.first, self.condition(block))

    def condition(self, block: Block) -> list[tuple[float, float]]:
        """The joined, low-passed signal, NaN where there is none, and the muscle activity beside it.

        No setting plays a part in it, so a fit that tries many does this once.
        """
        if self._next_conditioned is not None and block.first != self._next_conditioned:
            for lead in self._leads:
                lead.restart()
            self._joined.restart()
            self._joining = False
        self._next_conditioned = block.end
        row = block.row
        rows: list[list[float]] = block.samples.tolist() if row is None else [row]
        return [self._condition(values) for values in rows]

    def _condition(self, values: Sequence[float]) -> tuple[float, float]:
        stepped: list[float] = []
        rough = 0.0
        for k in range(len(self._leads)):
            lead = self._leads[k]
            stepped.append(lead.step(values[k]))
            rough = max(rough, lead.roughness)
        y = self._joined.step(stepped)
        if y == y:
            self._joining = True
        elif self._joining:
            self._joining = False
            self._joined.restart()
        return y, rough

    def decide(self, first: int, conditioned: Sequence[tuple[float, float]]) -> list[Detection]:
        """What ``condition`` gave of a block that begins with sample ``first``; what was decided in it."""
        out: list[Detection] = []
        if self._next is not None and first != self._next:
            out.extend(self._end(self._next - 1, first))
            self._restart()
        self._next = first + len(conditioned)
        joined: list[float] = []
        least: list[float] = []
        for k in range(len(conditioned)):
            y, rough = conditioned[k]
            if y == y:
                self._running = True
                self._step(first + k, y, rough, out)
            elif self._running:
                out.extend(self._end(first + k, first + k))
                self._restart()
            joined.append(y)
            least.append(self._least())
        self._view = (first, joined, least)
        return out

    def flush(self) -> list[Detection]:
        """End an open closure."""
        return self._end(self._next - 1, self._next - 1) if self._next is not None else []

    def _step(self, n: int, y: float, rough: float, out: list[Detection]) -> None:
        self._seen += 1
        recently, blinking = self._recently, self._blinking
        recently.add(n, y)
        noise = recently.noise
        if noise == math.inf:
            return
        on_step = _ON_STEP * blinking.typical if blinking.known >= _KNOWN else math.inf
        for sign, finder in self._finders.items():
            pulse = finder.step(n, sign * y, _OVER_NOISE * noise, on_step)
            if pulse is not None and self._has_shape(pulse) and rough <= _ROUGH_SHARE * pulse.height:
                self._weigh(self._measured(n, sign, pulse, noise), out)
        if self._plain_peak is not None and n >= self._plain_peak + self._coupling.look:
            self._coupling.learn(recently, self._plain_peak)
            self._plain_peak = None
        height, typical = 0.0, blinking.typical
        if typical and self._ready() and rough <= _ROUGH_SHARE * typical:
            height = max(typical, _CLOSING_OVER_NOISE * noise)
        for edge, onset in self._closure.step(n, blinking.polarity * y, height, self._coupling.per_s):
            out.append(self._closing(edge, onset, n))

    def _measured(self, n: int, sign: int, pulse: Pulse, noise: float) -> LidPulse:
        rise_s, fall_s = pulse.rise / self._rate, pulse.fall / self._rate
        spread, middle = self._recently.before(
            pulse.peak - round(_BEFORE_S * self._rate),
            pulse.peak - round(max(_RISES_WITHIN_S, _RISES * rise_s) * self._rate),
            self._blinked,
        )
        over_base = sign * middle - (pulse.level - pulse.height)
        return LidPulse(
            n=n,
            sign=sign,
            peak=pulse.peak,
            height=pulse.height,
            rise_s=max(rise_s, 0.5 / self._rate),
            fall_s=max(fall_s, 0.5 / self._rate),
            noise=noise,
            before=spread / pulse.height,
            level_before=over_base / pulse.height,
        )

    def _weigh(self, pulse: LidPulse, out: list[Detection]) -> None:
        blinking = self._blinking
        is_plain = pulse.is_plain
        own = pulse.sign == blinking.polarity
        if own and pulse.peak - self._blinked >= _REFRACTORY_S * self._rate and self._is_blink(pulse):
            if self._ready():
                out.append(self._blink(pulse))
            self._blinked = pulse.peak
            for edge, at in self._closure.blinked(pulse.peak, pulse.height, blinking.typical):
                out.append(self._closing(edge, at, pulse.n))
            if is_plain:
                self._plain_peak = pulse.peak
        if is_plain:
            blinking.learn(pulse, self._is_meant(pulse) == 1.0)

    def _is_blink(self, pulse: LidPulse) -> bool:
        given = self.settings.threshold
        if given is not None:
            return pulse.height >= given and self._blinking.shape(pulse) >= 0.0
        if not self._blinking.typical and pulse.height < UNKNOWN_OVER_NOISE * pulse.noise:
            return False
        return self._blinking.score(pulse) >= self._blinking.needed(self.settings.strictness)

    def _is_meant(self, pulse: LidPulse) -> float:
        """1 for a deliberate blink, 0 for a spontaneous one, NaN where that cannot be told."""
        threshold = self.settings.deliberate_threshold
        if threshold is None:
            return self._blinking.is_deliberate(pulse.height)
        by = self.settings.deliberate_by
        if by == "height":
            return float(pulse.height >= threshold)
        return float((pulse.width_s if by == "width" else pulse.height / pulse.width_s) >= threshold)

    def _ready(self) -> bool:
        given = self.settings.threshold is not None or self.settings.height is not None
        return given or self._seen >= self.settings.learning_s * self._rate

    def _has_shape(self, pulse: Pulse) -> bool:
        return self.settings.shortest_s <= pulse.width / self._rate <= self.settings.longest_s

    def _least(self) -> float:
        """Least height of a blink of usual shape out of a quiet signal."""
        if self.settings.threshold is not None:
            return self.settings.threshold
        noise = self._recently.noise
        return self._blinking.least(noise, self.settings.strictness) if noise < math.inf else math.inf

    def _blink(self, pulse: LidPulse) -> Event:
        blinking = self._blinking
        values = {
            "amplitude": pulse.height,
            "duration": pulse.width_s,
            "strength": pulse.height / (blinking.typical or pulse.height),
        }
        unknown: tuple[str, ...] = ()
        meant = self._is_meant(pulse)
        if meant == meant:
            values["deliberate"] = meant
        else:
            unknown = ("deliberate",)
        onset = max(0.0, pulse.peak / self._rate - DELAY_S)
        confidence = 1 / (1 + math.exp(-max(-30.0, min(30.0, blinking.score(pulse)))))
        return Event(
            "blink",
            "instant",
            onset,
            pulse.n / self._rate,
            self._channel,
            values,
            confidence,
            self.name,
            unknown=unknown,
        )

    def _closing(self, edge: Literal["start", "end"], onset: float, n: int) -> Event:
        at = max(0.0, onset / self._rate - DELAY_S)
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
        resting = self._recently.resting
        sign = self._blinking.polarity
        least: Samples = resting + sign * np.array(threshold)
        level: Samples = np.full(len(y), resting)
        upper, lower = (least, level) if sign > 0 else (level, least)
        return Trace(first, y, upper, lower)


def create(name: str, channels: Sequence[Channel], rate: float, settings: Mapping[str, Any]) -> Detector:
    """A blink detector. Raises SettingsError, or SamplingRateError below 24 Hz."""
    return BlinkDetector(name, channels, rate, settings_from(BlinkSettings, settings))


_BLINK: Final = EventType(
    "blink",
    "a blink",
    values={
        "amplitude": Quantity("height over the resting level", AS_THE_CHANNEL),
        "duration": Quantity("width at half the height", "s"),
        "strength": Quantity("height as a multiple of this person's usual one"),
        "deliberate": Quantity("1 for a meant blink, 0 for another; left out where it cannot be told"),
    },
    strength="strength",
    labels=("deliberate", "spontaneous", "twice"),
)
# When eyes are closed is known from video to about this.
_LONG_CLOSURE: Final = EventType(
    "long-closure",
    "a long closure of the eyes",
    lasts=True,
    tolerance=Tolerance(0.7, 0.7),
    cued=Tolerance(0.7, 0.7),
)
TYPE: DetectorType = DetectorType(
    name="blink",
    kinds=("eeg", "eog-vertical"),
    events=(_BLINK, _LONG_CLOSURE),
    levels=(),
    many_channels=True,
    latency_s=1.2,
    version=2,
    settings=BlinkSettings,
    make=create,
    longest_bridge_s=0.1,
    most_in_10_s=40,
    caution="long closures: on one channel a look up or down that lasts can be taken for closed eyes; watch "
    "some minutes of them before a rule relies on one",
    filters=f"low-pass {_LOWPASS_HZ:g} Hz, order {_LOWPASS_ORDER}",
)

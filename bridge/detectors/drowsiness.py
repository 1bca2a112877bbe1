"""Drowsiness from eyelid events: how often, how long and how much of the time the eyes close.

A demonstration, not a safety device. What is seen is the electrical trace of lid movements (EOG, frontal
EEG), not where the lid stands: the share of time here is that of closures beyond half a second, and must not
be taken for measures that a camera makes of the lid's position, though both rise as people get sleepy.

Over a sliding minute: blinks and long closures a minute, mean and 90th percentile of blink durations, and
the share of time in closures longer than 500 ms. Sleepiness lengthens blinks and brings long closures, while
the blink rate may go either way (Stern, Boyer & Schroeder 1994 and Caffier, Erdmann & Ullsperger 2003, both
from memory); so the level rests on the long closures and on the lengthening against the person's own rested
blinks, not on the rate. The weights are this program's own: a tenth of the time in long closures makes half
of the level, and so do blinks of twice their rested length.

On one channel a look down or up that lasts moves the signal as closed lids do. Two things tell them apart
here: lids that are down cannot blink, so a blink within a closure says that there was none; and eyes that
were closed open again, so a closure counts when it has ended, or when no blink came for longer than people
who are awake leave between two.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np

from bridge.detectors.blink import TYPE as BLINK
from bridge.detectors.blink import BlinkDetector, BlinkSettings
from bridge.detectors.kinds import EventType, LevelType, Quantity
from bridge.detectors.protocol import Detector, DetectorType, SettingsError, Trace, settings_from
from bridge.signals.types import Block, Channel, Detection, Event, Level, moment

WINDOW_S: Final = 60.0
LEAST_SHARE: Final = 0.5  # of the window must have been seen before anything is said
LEAST_CLOSURES: Final = 4  # a mean of fewer durations says nothing
LONG_S: Final = 0.5  # the usual upper limit of a blink (Stern 1984, second-hand)
EVERY_S: Final = 1.0
# At half height; blinks last 100 to 400 ms in all (common practice).
RESTED_DURATION_S: Final = 0.15
HALF_SHARE: Final = 0.10  # of the time in long closures: half of the level; twice that, all of it
FULL_LENGTHENING: Final = 1.0  # blinks twice as long as rested ones: half of the level
_LONGEST_S: Final = 60.0
# Reading brings the fewest blinks, 4.5 a minute (Bentivoglio 1997): were they at random, one pause in twenty
# would be three times the mean.
UNBLINKING_S: Final = 40.0
# A blink that is found within this of a closure's edge may be the closing or the opening itself.
_EDGE_S: Final = 0.4


@dataclass(frozen=True, slots=True)
class DrowsinessSettings:
    """``window_s``: the figures are of this much of the past. ``rested_duration_s``: mean duration (at half
    height) of this person's rested blinks, from a calibration. ``start_level``, ``end_level``: the event
    starts above one and ends below the other. ``threshold``, ``polarity`` and ``time_constant_s`` are those
    of the blink detector.
    """

    window_s: float = WINDOW_S
    rested_duration_s: float = RESTED_DURATION_S
    start_level: float = 0.5
    end_level: float = 0.3
    threshold: float | None = None
    polarity: Literal["auto", "positive", "negative"] = "auto"
    time_constant_s: float | None = None

    def __post_init__(self) -> None:
        if not 5 <= self.window_s <= 600:
            raise SettingsError("window_s must lie between 5 and 600 s")
        if not 0.02 <= self.rested_duration_s <= 1.0:
            raise SettingsError("rested_duration_s must lie between 0.02 and 1 s")
        if not 0 < self.end_level < self.start_level < 1:
            raise SettingsError("must be: 0 < end_level < start_level < 1")
        self.blink()

    def blink(self) -> BlinkSettings:
        """The settings of the blink detector inside. Raises SettingsError."""
        return BlinkSettings(
            threshold=self.threshold, polarity=self.polarity, time_constant_s=self.time_constant_s
        )


@dataclass(frozen=True, slots=True)
class Figures:
    """Of the window. Durations are None where too few closures were seen for a mean."""

    per_minute: float
    mean_s: float | None
    p90_s: float | None
    long_share: float

    def level(self, rested_s: float) -> float:
        """0 (rested) to 1."""
        lengthening = 0.0 if self.mean_s is None else max(0.0, self.mean_s / rested_s - 1)
        return min(1.0, 0.5 * self.long_share / HALF_SHARE + 0.5 * min(1.0, lengthening / FULL_LENGTHENING))


class RecentClosures:
    """The closures of the last ``window_s`` of the signal. Times are in seconds of sample time."""

    def __init__(self, window_s: float = WINDOW_S) -> None:
        self._window_s = window_s
        self._closures: deque[tuple[float, float]] = deque()  # end and duration
        self._open_s: float | None = None
        self._ended_s = -1.0  # the last closure that counted
        self._blinks_s: list[float] = []  # since it opened
        self._seen: deque[tuple[float, float]] = deque()  # stretches that were seen

    def saw(self, start_s: float, end_s: float) -> None:
        """This much more of the signal was there."""
        if self._seen and abs(self._seen[-1][1] - start_s) < 1e-9:
            self._seen[-1] = (self._seen[-1][0], end_s)
        else:
            self._seen.append((start_s, end_s))

    def closed(self, end_s: float, duration_s: float) -> None:
        """The lids were down for so long until then."""
        self._closures.append((end_s, duration_s))

    def began(self, at_s: float) -> None:
        """The lids seem to be down from then on. A closure that ended with that was never seen to open."""
        if self._closures and self._ended_s == at_s and self._closures[-1][0] == at_s:
            self._closures.pop()
        self._open_s = at_s
        self._blinks_s.clear()

    def blinked(self, at_s: float) -> None:
        """A blink with its onset then, which no closed lid makes."""
        if self._open_s is not None and at_s > self._open_s + _EDGE_S:
            self._blinks_s.append(at_s)

    def ended(self, at_s: float) -> None:
        """The lids are open from then on, unless a blink has said that they never were closed.

        The blink detector ends a closure at the peak of the blink that says so: at its very onset.
        """
        denied = any(blink_s < at_s - _EDGE_S or blink_s == at_s for blink_s in self._blinks_s)
        if self._open_s is not None and not denied:
            self.closed(at_s, min(_LONGEST_S, max(0.0, at_s - self._open_s)))
            self._ended_s = at_s
        self.gap()

    def gap(self) -> None:
        self._open_s = None
        self._blinks_s.clear()

    def figures(self, now_s: float) -> Figures | None:
        """None before half of the window was seen."""
        from_s = now_s - self._window_s
        while self._closures and self._closures[0][0] <= from_s:
            self._closures.popleft()
        while self._seen and self._seen[0][1] <= from_s:
            self._seen.popleft()
        seen_s = sum(min(now_s, end) - max(from_s, start) for start, end in self._seen)
        if seen_s < LEAST_SHARE * self._window_s:
            return None
        # A long closure counts with the part that lies in the window.
        durations = [duration for _, duration in self._closures]
        spans = [(end - duration, end) for end, duration in self._closures if duration > LONG_S]
        if self._open_s is not None and not self._blinks_s and now_s - self._open_s > UNBLINKING_S:
            spans.append((self._open_s, now_s))
            durations.append(now_s - self._open_s)
        inside_s = sum(max(0.0, end - max(from_s, start)) for start, end in spans)
        # Long ones have their own share of the level; blinks lengthen by themselves.
        blinks = [duration for duration in durations if duration <= LONG_S]
        enough = len(blinks) >= LEAST_CLOSURES
        return Figures(
            60 * len(durations) / seen_s,
            float(np.mean(blinks)) if enough else None,
            float(np.quantile(blinks, 0.9)) if enough else None,
            min(1.0, inside_s / seen_s),
        )


class DrowsinessDetector:
    """See the module's text; the contract is ``bridge.detectors.protocol.Detector``.

    An event's values: ``level``, ``blinks_per_min``, ``mean_duration``, ``p90_duration`` (s),
    ``long_closure_share``.
    """

    def __init__(
        self, name: str, channels: Sequence[Channel], rate_hz: float, settings: DrowsinessSettings
    ) -> None:
        """Raises SamplingRateError below 24 Hz."""
        self.name = name
        self.rate_hz = float(rate_hz)
        self._settings = settings
        self._channel = "+".join(channel.name for channel in channels)
        self._lids = BlinkDetector(name, channels, rate_hz, settings.blink())
        self._every = max(1, round(EVERY_S * rate_hz))
        self.reset()

    @property
    def settings(self) -> DrowsinessSettings:
        return self._settings

    @property
    def trace(self) -> Trace | None:
        """The blink detector's."""
        return self._lids.trace

    def reset(self) -> None:
        self._lids.reset()
        self._lately = RecentClosures(self._settings.window_s)
        self._expected: int | None = None
        self._drowsy = False

    def process(self, block: Block) -> list[Detection]:
        out: list[Detection] = []
        if self._expected is not None and block.first != self._expected:
            self._lately.gap()
            out.extend(self._end(block.first))
        self._expected = block.end
        # Cut where the minute is looked at, so that block sizes make no difference.
        position = 0
        while position < len(block):
            index = block.first + position
            take = min(len(block) - position, self._every - index % self._every)
            part = Block(block.samples[position : position + take], index, block.received)
            for item in self._lids.process(part):
                self._note(item)
            position += take
            self._lately.saw(index / self.rate_hz, part.end / self.rate_hz)
            if part.end % self._every == 0:
                out.extend(self._look(part.end - 1))
        return out

    def flush(self) -> list[Detection]:
        for item in self._lids.flush():
            self._note(item)
        return [] if self._expected is None else self._end(self._expected - 1)

    def _note(self, item: Detection) -> None:
        if not isinstance(item, Event):
            return
        if item.kind == "blink":
            self._lately.closed(item.decided, item.values["duration"])
            self._lately.blinked(item.onset)
        elif item.kind == "long-closure" and item.edge == "start":
            self._lately.began(item.onset)
        elif item.kind == "long-closure":
            self._lately.ended(item.onset)

    def _look(self, index: int) -> list[Detection]:
        now_s = index / self.rate_hz
        figures = self._lately.figures(now_s)
        if figures is None:
            return []
        level = figures.level(self._settings.rested_duration_s)
        out: list[Detection] = [Level("drowsiness-level", now_s, level, self._channel, self.name)]
        if not self._drowsy and level > self._settings.start_level:
            self._drowsy = True
            out.append(self._event("start", now_s, figures, level))
        elif self._drowsy and level < self._settings.end_level:
            self._drowsy = False
            out.append(self._event("end", now_s, figures, level))
        return sorted(out, key=moment)

    def _end(self, index: int) -> list[Detection]:
        """What is open ends: the signal is gone."""
        if not self._drowsy:
            return []
        self._drowsy = False
        now_s = index / self.rate_hz
        return [Event("drowsiness", "end", now_s, now_s, self._channel, {}, 1.0, self.name)]

    def _event(self, edge: Literal["start", "end"], now_s: float, figures: Figures, level: float) -> Event:
        values = {
            "level": level,
            "blinks_per_min": figures.per_minute,
            "long_closure_share": figures.long_share,
        }
        if figures.mean_s is not None and figures.p90_s is not None:
            values |= {"mean_duration": figures.mean_s, "p90_duration": figures.p90_s}
        away = abs(level - self._settings.start_level)
        return Event("drowsiness", edge, now_s, now_s, self._channel, values, min(1.0, 0.5 + away), self.name)


def create(name: str, channels: Sequence[Channel], rate_hz: float, settings: Mapping[str, Any]) -> Detector:
    """A drowsiness detector. Raises SettingsError, or SamplingRateError below 24 Hz."""
    return DrowsinessDetector(name, channels, rate_hz, settings_from(DrowsinessSettings, settings))


_DROWSINESS: Final = EventType(
    "drowsiness",
    "drowsiness",
    lasts=True,
    values={
        "level": Quantity("how sleepy the blinks look, from 0 to 1"),
        "blinks_per_min": Quantity("blinks in a minute", "1/min"),
        "mean_duration": Quantity("mean width of the recent blinks", "s"),
        "p90_duration": Quantity("90th percentile of their widths", "s"),
        "long_closure_share": Quantity("share of the time in which the eyes stayed closed"),
    },
)
TYPE: DetectorType = DetectorType(
    name="drowsiness",
    kinds=BLINK.kinds,
    events=(_DROWSINESS,),
    levels=(LevelType("drowsiness-level", hysteresis=0.05, lowest=0.0, highest=1.0),),
    many_channels=BLINK.many_channels,
    latency_s=0.0,
    version=1,
    settings=DrowsinessSettings,
    make=create,
    longest_bridge_s=BLINK.longest_bridge_s,
    filters=BLINK.filters,
    most_in_10_s=4,
    caution="drowsiness is a demonstration, not a safety device: never rely on it to stay awake, and never "
    "use it for driving or machinery; to be believed at all it needs a calibration of this person when "
    "rested, and looks down that last can still be taken for closed eyes",
)

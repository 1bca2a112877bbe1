"""What is known of one person's blinks: which way they point, how high and how wide they usually are.

Only *plain* pulses teach: no wider than most blinks, well over the noise, and out of a quiet signal. A
burst of artefacts is never quiet before its pulses, the rebound of an AC-coupled amplifier starts from its
blink's peak, and so neither says anything here, however high it is. Memory is counted in pulses, not in
seconds: somebody who blinks four times a minute is remembered as well as somebody who blinks thirty times.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from typing import Final

from bridge.signals.robust import middle

# Plain pulses remembered: at 17 blinks a minute two to three minutes.
_REMEMBERED: Final = 40
# Over the noise (median change over 50 ms) a pulse must stand to be plain.
_PLAIN_OVER_NOISE: Final = 7.0
# Range of the signal in the 0.4 s before a plain pulse, over the pulse's height; over the noise it may always
# be so many times, which is as much as the noise itself ranges.
_QUIET: Final = 0.35
_QUIET_NOISE: Final = 5.0
# A plain pulse leaves the resting level: the middle of the signal in those 0.4 s lies no further over its
# base, as a share of its height (98 % of the blinks of eleven band wearers; of pulses of the other
# polarity, which start from a blink's own peak or trough, fewer than half).
_FROM_REST: Final = 0.25
# Low-passed at 12 Hz, at half height: what blinks of 34 people behind two kinds of amplifier show.
NARROWEST_S: Final = 0.055
_PLAIN_WIDEST_S: Final = 0.25
# Heights that are the same to within this (natural logarithm) support each other as this person's usual one.
_KIN: Final = 0.45
# A lower group of heights is the usual one, deliberate blinks above it or not, when it has this share of the
# support of the best supported one.
_LOWER_SHARE: Final = 0.6
# What a pulse says fades by this with every plain pulse that follows.
_FADES: Final = 0.9
# One polarity must be this much better supported than the one that holds.
_TURNS: Final = 1.5
# Log-odds that a pulse is a blink, by logistic regression on eleven of the band wearers and one office worker
# (the others are for the report): height over the usual one and over the noise, how restless the signal was
# before, how far from the pulse's base it lay, width beyond the usual one, and a rise and fall that differ.
_AT_USUAL: Final = -1.1
_PER_HEIGHT: Final = 3.0
_PER_NOISE: Final = 1.0
_PER_RESTLESS: Final = -1.25
_PER_LEVEL: Final = -1.3
_PER_WIDER: Final = -4.0
_PER_NARROWER: Final = -1.0
_PER_SLOW_FALL: Final = -1.5
_PER_SLOW_RISE: Final = -1.2
_NOISE_COUNTS_TO: Final = 3.5
# What stands for the time before where another blink was just then.
_UNKNOWN_BEFORE: Final = 0.3
_USUAL_WIDTH_S: Final = 0.09
# A blink deliberate by its height: this far above the usual one, and this many spreads of the usual ones.
_DELIBERATE_RATIO: Final = 1.5
_DELIBERATE_SPREADS: Final = 3.5
# Over the noise a first blink must stand, when none is known.
UNKNOWN_OVER_NOISE: Final = 12.0
_LEAST_SPREAD: Final = 0.12
_NEEDED_TO_TELL: Final = 10
# What a calibration says of a person counts as so many plain pulses at the start.
_TOLD: Final = 10
# Deliberate blinks are a group of their own above a gap of this share of their height (as logarithms).
_GAP: Final = 0.4
# So many in a row that all were deliberate: the scale is no longer this person's.
_OUTGROWN: Final = 20


@dataclass(frozen=True, slots=True)
class LidPulse:
    """A pulse that may be a blink. ``n``, ``peak``: sample indices; times in seconds; heights in the unit.

    ``before`` is the range of the signal in the 0.4 s before the rise as a share of the height, and
    ``level_before`` how far its middle lay over the pulse's base; both NaN where a blink was just then.
    """

    n: int
    sign: int
    peak: int
    height: float
    rise_s: float
    fall_s: float
    noise: float
    before: float
    level_before: float

    @property
    def width_s(self) -> float:
        return self.rise_s + self.fall_s

    @property
    def is_plain(self) -> bool:
        """Out of a quiet signal at rest, well over the noise, and no wider than most blinks."""
        return (
            self.before <= max(_QUIET, _QUIET_NOISE * self.noise / self.height)
            and self.level_before <= _FROM_REST
            and self.height >= _PLAIN_OVER_NOISE * self.noise
            and self.width_s <= _PLAIN_WIDEST_S
        )


@dataclass(frozen=True, slots=True)
class _Group:
    """The usual pulses of one polarity; ``support`` says how many of a height there are, newer ones more."""

    count: int
    support: float
    typical: float
    spread: float  # of the heights' natural logarithm
    width_s: float


class Blinking:
    """Learns from plain pulses of both polarities; see the module's text."""

    def __init__(self, polarity: int, height: float = 0.0, width_s: float = 0.0) -> None:
        """``polarity``: 1 or -1 where it is known, else 0.

        ``height`` and ``width_s``: of this person's usual blink, 0 where no calibration has told.
        """
        self._fixed = polarity
        self._height = height
        self._width_s = width_s or _USUAL_WIDTH_S
        self.reset()

    def reset(self) -> None:
        self._pulses: deque[tuple[int, float, float, float]] = deque(maxlen=_REMEMBERED)
        self._meant: deque[tuple[int, float, float, float]] = deque(maxlen=_OUTGROWN)
        self.polarity = self._fixed or 1
        self.typical = 0.0
        self.spread = math.inf
        self.width_s = 0.0
        self.known = 0
        self._learnt = 0
        if self._height > 0.0:
            for _ in range(_TOLD):
                self._pulses.append((self.polarity, math.log(self._height), 1.0, self._width_s))
            self._renew()

    def learn(self, pulse: LidPulse, is_meant: bool) -> None:
        """Take a plain pulse; one that was meant does not teach what is usual."""
        weight = min(2.0, math.log(pulse.height / (0.7 * _PLAIN_OVER_NOISE * max(pulse.noise, 1e-300))))
        entry = (pulse.sign, math.log(pulse.height), weight, pulse.width_s)
        if pulse.sign == self.polarity and is_meant:
            # Until nothing else has come for long.
            self._meant.append(entry)
            if len(self._meant) < _OUTGROWN:
                return
            self._pulses.clear()
            self._pulses.extend(self._meant)
            self._meant.clear()
        else:
            self._pulses.append(entry)
            if pulse.sign == self.polarity:
                self._learnt += 1
                self._meant.clear()
        self._renew()

    def _renew(self) -> None:
        found = {sign: self._group(sign) for sign in (1, -1)}
        if not self._fixed and found[-self.polarity].support > _TURNS * found[self.polarity].support:
            self.polarity = -self.polarity
        own = found[self.polarity]
        self.known, self.typical = own.count, own.typical
        self.spread, self.width_s = own.spread, own.width_s

    def _group(self, sign: int) -> _Group:
        """The usual group among the pulses of one polarity."""
        own: list[tuple[float, float, float]] = []
        weight = 1.0
        for k in range(len(self._pulses) - 1, -1, -1):
            entry = self._pulses[k]
            if entry[0] == sign:
                own.append((entry[1], weight * entry[2], entry[3]))
            weight *= _FADES
        if not own:
            return _Group(0, 0.0, 0.0, math.inf, 0.0)
        support = [
            sum(max(0.0, 1 - abs(other - height) / _KIN) * weight for other, weight, _ in own)
            for height, _, _ in own
        ]
        most = max(support)
        least = _LOWER_SHARE * most
        centre = min(height for (height, _, _), found in zip(own, support, strict=True) if found >= least)
        # Uphill from there to the middle of its group.
        while True:
            group = [height for height, _, _ in own if abs(height - centre) <= _KIN]
            nearer = middle(group)
            if nearer <= centre + 1e-9:
                break
            centre = nearer
        spread = max(_LEAST_SPREAD, 1.4826 * middle(abs(height - centre) for height in group))
        width_s = middle(width for height, _, width in own if abs(height - centre) <= _KIN)
        return _Group(len(own), most, math.exp(centre), spread, width_s)

    def score(self, pulse: LidPulse) -> float:
        """Log-odds that a pulse of this person's polarity is a blink; its height counts once one is usual."""
        higher = math.log(pulse.height / self.typical) if self.typical else 0.0
        return self.shape(pulse) + _PER_HEIGHT * min(1.0, higher)

    def shape(self, pulse: LidPulse) -> float:
        """The same without what its height over the usual one says."""
        known = pulse.before == pulse.before
        restless = pulse.before if known else _UNKNOWN_BEFORE
        level = min(1.0, max(-0.3, pulse.level_before)) if known else 0.0
        wider = math.log(pulse.width_s / (self.width_s or _USUAL_WIDTH_S))
        slower_fall = math.log(pulse.fall_s / pulse.rise_s)
        return (
            _AT_USUAL
            + _PER_NOISE * min(_NOISE_COUNTS_TO, math.log(pulse.height / max(pulse.noise, 1e-300)))
            + _PER_RESTLESS * math.log(0.1 + restless)
            + _PER_LEVEL * level
            + _PER_WIDER * max(0.0, wider - 0.25)
            + _PER_NARROWER * max(0.0, -wider - 0.15)
            + _PER_SLOW_FALL * max(0.0, slower_fall - 0.3)
            + _PER_SLOW_RISE * max(0.0, -slower_fall - 0.3)
        )

    def least(self, noise: float, strictness: float) -> float:
        """Height from which a pulse of usual shape out of a quiet signal is a blink."""
        plain = _AT_USUAL + _PER_RESTLESS * math.log(0.1 + 0.5 * _QUIET)
        both = _PER_HEIGHT + _PER_NOISE
        known = max(noise, 1e-300)
        usual = self.typical or UNKNOWN_OVER_NOISE * known
        return strictness * math.exp(
            (_PER_HEIGHT * math.log(usual) + _PER_NOISE * math.log(known) - plain) / both
        )

    def needed(self, strictness: float) -> float:
        """Log-odds from which a pulse is taken: ``strictness`` is a factor on the height that is needed."""
        return (_PER_HEIGHT + _PER_NOISE) * math.log(strictness)

    def is_deliberate(self, height: float) -> float:
        """Was it meant? 1: its height says so; 0: it says no; NaN: height alone cannot tell."""
        if self._learnt < _NEEDED_TO_TELL or not self.typical:
            return math.nan
        over = math.log(height / self.typical)
        least = max(math.log(_DELIBERATE_RATIO), _DELIBERATE_SPREADS * self.spread)
        if over >= least:
            return 1.0 if self._stands_apart(over, least) else math.nan
        return 0.0 if over <= max(math.log(1.25), 1.5 * self.spread) else math.nan

    def _stands_apart(self, over: float, least: float) -> bool:
        """Do the high ones form a group of their own, with nothing near them below?

        Spontaneous blinks of many people reach any height (0.2 to 27 % of a person's own exceed 1.5 times the
        usual one); then there is no gap of this share of the way up under the lowest of the high ones.
        """
        centre = math.log(self.typical)
        seen = [height - centre for sign, height, _, _ in self._pulses if sign == self.polarity]
        seen.extend(height - centre for _, height, _, _ in self._meant)
        lowest = min([over, *[value for value in seen if value >= least]])
        highest = max([0.0, *[value for value in seen if value < least]])
        return lowest - highest >= _GAP * lowest

"""Signal quality of one channel as it streams: figures, and a verdict that mutes or only advises.

``bad`` says that nothing the body did can be read from the channel (stalled, at a rail, samples missing, an
electrode off); detectors are muted until it is over. ``poor`` says what to improve. Both come back by
themselves. Verdicts change at a sample index, the same one whatever the blocks.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import Final

import numpy as np

from bridge.signals.block import cells
from bridge.signals.figures import (
    POOR_CLIPPED,
    POOR_HUM_SHARE,
    POOR_JUMPS,
    POOR_LOST,
    POOR_NOISE_SHARE,
    QualityFigures,
    QualitySnapshot,
    Reason,
    Verdict,
    is_muscle,
    over_limit,
)
from bridge.signals.robust import middle
from bridge.signals.runs import Rail, Runs
from bridge.signals.spectrum import Shares, SpectralShares
from bridge.signals.types import Channel, Samples

# How long a value may stand before the channel has stalled. A link that repeats samples, as one real
# recording's does for up to 204 ms, gets more, and so does a signal that often rests on one count.
STALL_S: Final = 0.18
REPEATING_STALL_S: Final = 0.3
LONGEST_STALL_S: Final = 1.0
ENVELOPE_STALL_S: Final = 2.0
HABIT: Final = 2.0  # times the longest run so far that ended by itself
RAIL_S: Final = 0.18
MISSING_S: Final = 0.18
BACK_S: Final = 0.5  # so long without anything bad before a bad verdict is taken back

HOP_S: Final = 0.5
WINDOW_HOPS: Final = 2  # figures are those of the last second
MEMORY_HOPS: Final = 20
HABIT_HOPS: Final = 60
LATELY_HOPS: Final = 4
HOPS_TO_POOR: Final = 2
HOPS_TO_GOOD: Final = 4

BAD_CLIPPED: Final = 0.5
BAD_LOST: Final = 0.4
JUMP_RATIO: Final = 3.0  # a step from one sample to the next, in usual half-second peak-to-peak spreads
LOOSE_HUM_SHARE: Final = 0.8
LOOSE_RISE: Final = 3.0  # hum that was there all along, however strong, is no lead that has come off
LOOSE_HUM_RATIO: Final = 20.0  # hum against the channel's usual signal: its lead has become an aerial
GONE_RATIO: Final = 0.25  # of the usual signal; with less beside risen hum, the signal itself is gone
# more repeats than this, although changes are many converter steps, come from the link
REPEATING_SHARE: Final = 0.1
REPEATING_STEPS: Final = 10.0


# Judged over two seconds, so that they need no further hysteresis.
LINGERING = (Reason.JUMPS, Reason.LOST, Reason.CLIPPED)


@dataclass(frozen=True, slots=True)
class QualityChange:
    """From sample ``index`` on (the one that decided it) the channel is ``verdict``."""

    index: int
    verdict: Verdict
    reason: Reason


@dataclass(frozen=True, slots=True)
class _Hop:
    """What half a second (``shares``: the second that ends with it) was like."""

    shares: Shares | None
    low: float
    high: float
    clipped: float
    railed: float  # of the clipped, at rails that are known
    lost: float
    jumps: int
    longest: int


class ChannelQuality:
    """Watches one channel. Per sample a comparison, per half second a spectrum of the last second."""

    def __init__(self, channel: Channel, rate_hz: float) -> None:
        self.channel = channel
        self.rate_hz = rate_hz
        self._envelope = channel.kind == "emg-envelope"
        self._muscle = is_muscle(channel.kind)
        self._hop = max(8, round(HOP_S * rate_hz))
        self._spectrum = SpectralShares(self._hop * WINDOW_HOPS, rate_hz)
        self._rail_limit = self._samples(ENVELOPE_STALL_S if self._envelope else RAIL_S)
        self._missing_limit = self._samples(MISSING_S)
        self.reset()

    def _samples(self, seconds: float) -> int:
        return max(3, round(seconds * self.rate_hz))

    def reset(self) -> None:
        """Be as new."""
        # An envelope rests at the converter's lower end.
        low = -np.inf if self._envelope else self.channel.low
        self._runs = Runs(low, self.channel.high, self._rail_limit)
        self._verdict, self._reason = Verdict.GOOD, Reason.FINE
        self._expected: int | None = None
        self._bad: Reason | None = None
        self._clear_at = 0
        self._poor: Reason | None = None
        self._poor_hops = self._good_hops = 0
        self._hops: deque[_Hop] = deque(maxlen=MEMORY_HOPS)
        self._were_bad: deque[Reason] = deque(maxlen=MEMORY_HOPS)  # how each of them ended, FINE or bad
        self._habit: deque[int] = deque(maxlen=HABIT_HOPS)
        self._usual_rms: deque[float] = deque(maxlen=MEMORY_HOPS)
        self._usual_whole: deque[float] = deque(maxlen=MEMORY_HOPS)  # with the hum
        self._step = np.inf
        self._repeats: deque[bool] = deque(maxlen=MEMORY_HOPS)
        self._rails = (
            [Rail(self.channel.high, 1)]
            if self._envelope
            else [Rail(self.channel.high, 1), Rail(self.channel.low, -1)]
        )
        self._moved = False
        self._lost = self._received = 0
        self._stall_limit = self._samples(ENVELOPE_STALL_S if self._envelope else REPEATING_STALL_S)
        self._rest_ceiling = np.inf if self._envelope else -np.inf
        self._cells, self._window = cells(self._hop * WINDOW_HOPS)
        self._filled = 0

    @property
    def verdict(self) -> Verdict:
        return self._verdict

    @property
    def reason(self) -> Reason:
        return self._reason

    def process(self, x: Samples, first: int) -> list[QualityChange]:
        """Take the next samples, shape (n,), starting at index ``first``; a jump in it is lost samples."""
        changes: list[QualityChange] = []
        if self._expected is not None and first != self._expected:
            # One gap counts for half a second at most: detectors live with it.
            self._lost += min(self._hop, max(1, first - self._expected))
            if first // self._hop != self._expected // self._hop and self._received:
                self._evaluate(first, changes)  # the half second's end was among the lost
            self._runs.restart()
            self._filled = 0
            self._clear_at = max(self._clear_at, first + self._samples(BACK_S))
        position, n = 0, len(x)
        while position < n:
            index = first + position
            take = min(n - position, self._hop - index % self._hop)
            part = x[position : position + take]
            self._window[self._filled : self._filled + take] = part
            self._filled += take
            self._received += take
            runs = self._runs
            if self._bad is not None or not runs.skip(part, self._stall_limit):
                for at, value in enumerate(part.tolist(), start=index):
                    if runs.step(value) or self._bad is not None:
                        self._judge(value, at, changes)
            position += take
            if (index + take) % self._hop == 0:
                self._evaluate(index + take - 1, changes)
        self._expected = first + n
        return changes

    def step(self, value: float, index: int) -> list[QualityChange]:
        """The next sample alone, as a board sends it: the same as a block of one."""
        changes: list[QualityChange] = []
        if index != self._expected:
            return self.process(np.array([value]), index)
        self._cells[self._filled] = value
        self._filled += 1
        self._received += 1
        if self._runs.step(value) or self._bad is not None:
            self._judge(value, index, changes)
        self._expected = index + 1
        if self._expected % self._hop == 0:
            self._evaluate(index, changes)
        return changes

    def snapshot(self) -> QualitySnapshot:
        """Figures of the last ten seconds and the verdict that these same ten give, for the signal check.

        Bad is what is bad now, or was for more than half of the time.
        """
        figures = self._figures()
        if self._bad is not None:
            return QualitySnapshot(self.channel, Verdict.BAD, self._bad, figures)
        bad = [reason for reason in self._were_bad if reason is not Reason.FINE]
        reason = bad[-1] if bad else over_limit(figures, self.channel.kind)
        verdict = Verdict.GOOD if reason is Reason.FINE else Verdict.POOR
        if 2 * len(bad) > len(self._were_bad):
            verdict = Verdict.BAD
        return QualitySnapshot(self.channel, verdict, reason, figures)

    def _judge(self, value: float, index: int, changes: list[QualityChange]) -> None:
        """What the runs say after a sample; without a run, and nothing being bad, they say nothing."""
        runs = self._runs
        if runs.railed >= self._rail_limit:
            self._now_bad(Reason.RAILED, index, BACK_S, changes)
        elif runs.equal >= self._stall_limit and value > self._rest_ceiling:
            self._now_bad(Reason.STALLED if self._moved else Reason.FLAT, index, BACK_S, changes)
        elif runs.missing >= self._missing_limit:
            self._now_bad(Reason.LOST, index, BACK_S, changes)
        elif self._bad is not None and index >= self._clear_at:
            self._bad = None
            self._tell(index, changes)

    def _now_bad(self, reason: Reason, index: int, at_least_s: float, changes: list[QualityChange]) -> None:
        self._clear_at = max(self._clear_at, index + self._samples(at_least_s))
        if self._bad is None:
            self._bad = reason
            self._tell(index, changes)

    def _tell(self, index: int, changes: list[QualityChange]) -> None:
        if self._bad is not None:
            now = Verdict.BAD, self._bad
        elif self._poor is not None:
            now = Verdict.POOR, self._poor
        else:
            now = Verdict.GOOD, Reason.FINE
        if now != (self._verdict, self._reason):
            self._verdict, self._reason = now
            changes.append(QualityChange(index, *now))

    def _evaluate(self, index: int, changes: list[QualityChange]) -> None:
        """Half a second is full."""
        hop = self._measure(self._window[: self._filled])
        if self._filled > self._hop:
            self._window[: self._hop] = self._window[self._filled - self._hop : self._filled].copy()
            self._filled = self._hop
        self._hops.append(hop)
        self._learn(hop)
        self._lost = self._received = 0
        self._runs.forget_longest()
        bad = self._bad_reason(hop)
        if bad is not None:
            self._now_bad(bad, index, 2 * HOP_S, changes)
        self._were_bad.append(Reason.FINE if self._bad is None else self._bad)
        if self._bad is not None:
            if self._bad is not Reason.LOOSE:
                self._filled = 0  # what comes back is judged by itself
            return
        poor = self._poor_reason(hop)
        if poor is None:
            self._poor_hops = 0
            self._good_hops += 1
            if self._good_hops >= HOPS_TO_GOOD or self._poor in LINGERING:
                self._poor = None
        else:
            self._good_hops = 0
            self._poor_hops += 1
            if self._poor_hops >= HOPS_TO_POOR or poor in LINGERING:
                self._poor = poor
        self._tell(index, changes)

    def _measure(self, window: Samples) -> _Hop:
        hop = window[-self._hop :]
        missing, received = self._lost, self._received
        shares = None
        finite = np.isfinite(window)
        if not finite.all():
            missing += int(np.sum(~finite[-received:]))
            hop = hop[np.isfinite(hop)]
        elif len(window) == len(self._window):
            shares = self._spectrum.of(window)
        lost = missing / (received + self._lost)
        if len(hop) < 2:
            return _Hop(None, 0.0, 0.0, 0.0, 0.0, lost, 0, self._runs.longest)
        low, high = float(hop.min()), float(hop.max())
        at_rails = [(rail.share(hop, low, high), rail.known) for rail in self._rails]
        shares_at_rails = [share for share, _ in at_rails]
        # Where nothing moves the one value is at both ends of the range, and counts once.
        clipped = sum(shares_at_rails) if high > low else max(shares_at_rails)
        railed = sum(share for share, known in at_rails if known)
        change = np.abs(hop[1:] - hop[:-1])
        ranked = np.sort(change)
        still = int(ranked.searchsorted(0.0, "right"))
        moving = len(change) - still
        if moving:
            self._moved = True
            self._step = min(self._step, float(ranked[still]))
            often = moving < (1 - REPEATING_SHARE) * len(change)
            usual = float(ranked[still + moving // 2])
            self._repeats.append(often and usual >= REPEATING_STEPS * self._step)
        jumps = self._jumps(change, float(ranked[-1]))
        return _Hop(shares, low, high, clipped, railed, lost, jumps, self._runs.longest)

    def _jumps(self, change: Samples, largest: float) -> int:
        if self._muscle or self._bad is not None or len(self._hops) < LATELY_HOPS:
            return 0
        if largest <= JUMP_RATIO * min(past.high - past.low for past in self._hops):
            return 0
        spread = middle(past.high - past.low for past in self._hops)
        at = np.flatnonzero(change > JUMP_RATIO * spread)
        if spread <= 0 or len(at) == 0:
            return 0
        return 1 + int(np.sum(np.diff(at) > 0.05 * self.rate_hz))

    def _learn(self, hop: _Hop) -> None:
        shares = hop.shares
        if shares is not None and self._bad is None:
            rest = max(0.0, 1.0 - max(shares.hum_50, shares.hum_60))
            self._usual_rms.append(shares.rms * rest**0.5)
            self._usual_whole.append(shares.rms)
        if self._envelope:
            if self._bad is not None:
                return
            low = min(past.low for past in self._hops)
            high = max(past.high for past in self._hops)
            self._rest_ceiling = low + 0.2 * (high - low) if high > low else np.inf
            return
        if hop.longest <= 2 * self._stall_limit:
            self._habit.append(hop.longest)
        if len(self._hops) < LATELY_HOPS or not self._habit:
            return
        least_s = REPEATING_STALL_S if sum(self._repeats) * 2 > len(self._repeats) else STALL_S
        limit = max(self._samples(least_s), round(HABIT * max(self._habit)))
        self._stall_limit = min(limit, self._samples(LONGEST_STALL_S))

    def _lately(self) -> list[_Hop]:
        hops = self._hops
        return [hops[number] for number in range(-min(LATELY_HOPS, len(hops)), 0)]

    def _lately_lost(self) -> float:
        lately = self._lately()
        return sum([hop.lost for hop in lately]) / len(lately)

    def _bad_reason(self, hop: _Hop) -> Reason | None:
        if hop.lost > 0 and self._lately_lost() > BAD_LOST:
            return Reason.LOST
        if not self._envelope and hop.railed > BAD_CLIPPED:
            return Reason.RAILED
        shares = hop.shares
        if shares is not None and len(self._usual_rms) == MEMORY_HOPS:
            hum = max(shares.hum_50, shares.hum_60)
            usual = middle(self._usual_rms)
            risen = shares.rms > LOOSE_RISE * middle(self._usual_whole)
            if risen and hum > LOOSE_HUM_SHARE and usual > 0:
                rest = shares.rms * max(0.0, 1.0 - hum) ** 0.5
                # A muscle may just rest: of EMG the size of the hum alone tells.
                gone = rest < GONE_RATIO * usual and not self._muscle
                if gone or shares.rms > LOOSE_HUM_RATIO * usual:
                    return Reason.LOOSE
        return None

    def _poor_reason(self, hop: _Hop) -> Reason | None:
        shares = hop.shares
        lately = self._lately()
        if sum([hop.lost for hop in lately]) > POOR_LOST * len(lately):
            return Reason.LOST
        if sum([hop.clipped for hop in lately]) > POOR_CLIPPED * LATELY_HOPS:
            return Reason.CLIPPED
        if sum([hop.jumps for hop in lately]) >= POOR_JUMPS:
            return Reason.JUMPS
        if shares is None:
            return None
        if max(shares.hum_50, shares.hum_60) > POOR_HUM_SHARE:
            return Reason.HUM
        if not self._muscle and shares.noise > POOR_NOISE_SHARE:
            return Reason.NOISE
        return None

    def _figures(self) -> QualityFigures:
        hops = self._hops
        if not hops:
            return QualityFigures()
        shares = [hop.shares for hop in hops if hop.shares is not None] or [Shares(0.0, 0.0, 0.0, 0.0)]
        return QualityFigures(
            rms=middle(item.rms for item in shares),
            peak_to_peak=middle(hop.high - hop.low for hop in hops),
            hum_50_share=middle(item.hum_50 for item in shares),
            hum_60_share=middle(item.hum_60 for item in shares),
            noise_share=middle(item.noise for item in shares),
            clipped=sum(hop.clipped for hop in hops) / len(hops),
            lost=sum(hop.lost for hop in hops) / len(hops),
            jumps=sum(hop.jumps for hop in hops),
            longest_repeat_s=max(hop.longest for hop in hops) / self.rate_hz,
        )

"""How old samples are when they arrive. No input or output: the caller says when they came.

After a stall (the computer slept, the process was stopped, a connection hung) what waited in buffers comes at
once, and nothing says how old it is. But samples are made one period after another: a block whose last sample
should have been made long before it came is stale, until the stream has caught up, or comes at the pace at
which it is made again; then what was made in between is lost.
"""

from __future__ import annotations

from math import exp
from typing import Final

# Control by what the body did longer ago would surprise; a busy computer holds samples up for less.
STALE_S: Final = 1.0
FRESH_AGAIN_S: Final = 0.2  # what is stale stays so until it has caught up to this
# Samples are judged by the last of so many seconds of them: what comes at once is cut into such pieces.
PIECE_S: Final = 0.1
# A board whose clock is off, or a rate that was given wrongly, adds to the age by and by. It is taken back
# with this time constant, so that only a stall counts: a rate given 20 % too high ages samples by 0.4 s.
FORGET_S: Final = 2.0
# So long the pace is looked at, and up to so many times the real one counts as live.
PACE_S: Final = 0.3
LIVE_PACE: Final = 1.2


class Freshness:
    """Of one stream. ``stale`` says whether the last block was; ``age_s`` how old its last sample was."""

    def __init__(self, rate_hz: float) -> None:
        self._period_s = 1.0 / rate_hz
        self._end: int | None = None
        self._made_s = 0.0  # when the last sample was made, as far as can be told
        self._pace_from = (0, 0.0)
        self.stale = False
        self.age_s = 0.0

    def arrived(self, end: int, host_s: float) -> int:
        """Samples up to, not including, index ``end`` had come by ``host_s`` (s, monotonic).

        Returns how many samples were lost unseen before this block, which a stream that does not number them
        cannot show: 0 but where a stale stream is found to be live again.
        """
        if self._end is None:
            self._end, self._made_s = end, host_s
            return 0
        passed_s = (end - self._end) * self._period_s
        self._end = end
        self._made_s = min(self._made_s + passed_s, host_s)
        self.age_s = host_s - self._made_s
        if self.age_s <= (FRESH_AGAIN_S if self.stale else STALE_S):
            self.stale = False
            self._made_s += self.age_s * (1 - exp(-max(0.0, passed_s) / FORGET_S))
            return 0
        if not self.stale:
            self.stale, self._pace_from = True, (end, host_s)
            return 0
        seen, since_s = self._pace_from
        waited_s = host_s - since_s
        if waited_s < PACE_S:
            return 0
        if (end - seen) * self._period_s > LIVE_PACE * waited_s:
            self._pace_from = (end, host_s)
            return 0
        lost = round(self.age_s / self._period_s)
        self.stale, self._made_s, self.age_s = False, host_s, 0.0
        return lost

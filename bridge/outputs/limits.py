"""How often an output may send. Pure: time comes in with each question."""

from __future__ import annotations

from typing import Final

# Presses a second that no person's muscles or eyelids reach, yet far too few to type a page in a moment.
KEYSTROKES_PER_S: Final = 20.0
ALL_KEYSTROKES_PER_S: Final = 40.0
POINTER_MOVES_PER_S: Final = 200.0
OSC_PER_S: Final = 2_000.0
MQTT_PER_S: Final = 500.0
LOG_PER_S: Final = 100.0
LONGEST_HOLD_S: Final = 3_600.0  # the longest that a rule may ask for


class RateLimit:
    """A token bucket: ``burst`` at once after a quiet time, ``per_second`` in the long run.

    Something that costs more than ``burst`` (a long text) may go when the bucket is full and leaves a debt,
    so that the long-run rate still holds.
    """

    def __init__(self, per_second: float, burst: float | None = None) -> None:
        if not per_second > 0:
            raise ValueError(f"a rate limit must be above zero, not {per_second}")
        self.per_second = per_second
        self.burst = max(1.0, per_second if burst is None else burst)
        self._tokens = self.burst
        self._then_s: float | None = None

    def admit(self, now_s: float, cost: float = 1.0) -> bool:
        """May something of this cost go now? Takes it from the bucket when it may."""
        if self._then_s is not None and now_s > self._then_s:
            self._tokens = min(self.burst, self._tokens + (now_s - self._then_s) * self.per_second)
        self._then_s = now_s if self._then_s is None else max(now_s, self._then_s)
        # A hair below: a bucket that refills in fractions must not lose a whole token to rounding.
        if self._tokens < min(cost, self.burst) - 1e-9:
            return False
        self._tokens -= cost
        return True

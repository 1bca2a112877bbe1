"""How long to wait before the next try to connect."""

from __future__ import annotations

FIRST_DELAY_S = 0.1
LONGEST_DELAY_S = 1.0  # a device that is back is found within this time


def delay_s(attempt: int) -> float:
    """Seconds to wait after ``attempt`` tries in a row have failed: doubling from 0.1 s, 1 s at most."""
    if attempt <= 0:
        return 0.0
    return float(min(LONGEST_DELAY_S, FIRST_DELAY_S * 2.0 ** min(attempt - 1, 10)))

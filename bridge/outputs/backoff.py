"""How long to wait before the next try to connect. Pure: chance comes in."""

from __future__ import annotations

import random

FIRST_DELAY_S = 0.25
LONGEST_DELAY_S = 30.0


def delay_s(attempt: int, chance: float | None = None, longest_s: float = LONGEST_DELAY_S) -> float:
    """Seconds to wait after ``attempt`` failures in a row: doubling from 0.25 s, capped, less up to a half.

    The random part keeps many clients from coming back to a broker in the same instant. ``chance`` (0..1)
    is for tests.
    """
    if attempt <= 0:
        return 0.0
    full = min(longest_s, FIRST_DELAY_S * 2.0 ** min(attempt - 1, 30))
    return full * (1.0 - 0.5 * (random.random() if chance is None else chance))

"""This computer's clock for deadlines and ages: never set, and it goes on while the computer sleeps.

The monotonic clock that times everything else stands still then; what was decided before the sleep would
count as new.
"""

from __future__ import annotations

import sys
import time
from typing import Final

# Linux counts sleep in a clock of its own; on macOS the one of POSIX does and Python's `time.monotonic` does
# not; on Windows all of them do.
_COUNTING_SLEEP: Final[int | None] = getattr(time, "CLOCK_BOOTTIME", None) or (
    getattr(time, "CLOCK_MONOTONIC", None) if sys.platform == "darwin" else None
)


def now_s() -> float:
    """Seconds from an origin that is the same for all processes and never changes."""
    if _COUNTING_SLEEP is None or sys.platform == "win32":
        return time.monotonic()
    return time.clock_gettime(_COUNTING_SLEEP)


def asleep_s() -> float:
    """How much of ``now_s`` is sleep, from an origin that never changes; only differences mean something."""
    return now_s() - time.monotonic()

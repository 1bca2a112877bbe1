"""How long this computer has slept, which the monotonic clock that times everything else does not count."""

from __future__ import annotations

import sys
import time
from typing import Final

# Linux counts sleep in a clock of its own; on macOS the one of POSIX does and Python's `time.monotonic` does
# not; on Windows all of them do.
_COUNTING_SLEEP: Final[int | None] = getattr(time, "CLOCK_BOOTTIME", None) or (
    getattr(time, "CLOCK_MONOTONIC", None) if sys.platform == "darwin" else None
)


def asleep_s() -> float:
    """Seconds asleep, from an origin that never changes; only differences mean something."""
    if _COUNTING_SLEEP is None or sys.platform == "win32":
        return 0.0
    return time.clock_gettime(_COUNTING_SLEEP) - time.monotonic()

"""Shows a program that the computer has slept, for so many seconds as the file `TESTS_ASLEEP` says.

Python runs this at its start, in every process that inherits PYTHONPATH with this folder. Sleep shows as on Linux: in
CLOCK_BOOTTIME, which counts it, and not in CLOCK_MONOTONIC (clock_gettime(2)).
"""

from __future__ import annotations

import os
import time

_real = time.clock_gettime


def _clock_gettime(clock: int) -> float:
    if clock != time.CLOCK_BOOTTIME:
        return _real(clock)
    file = os.open(os.environ["TESTS_ASLEEP"], os.O_RDONLY)
    try:
        return _real(clock) + float(os.read(file, 100) or 0)
    finally:
        os.close(file)


time.clock_gettime = _clock_gettime

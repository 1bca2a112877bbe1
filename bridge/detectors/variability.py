"""Heart rate variability over the last minute, beat by beat.

Figures and names are those of the Task Force of the ESC and NASPE, Circulation 1996;93:1043-1065:

- SDNN: standard deviation of the normal intervals, with n - 1 in the denominator (the sample's);
- RMSSD: root of the mean squared difference of successive normal intervals;
- pNN50: percentage of those *differences* (not of the intervals) that exceed 50 ms.

An interval is set aside as ectopic or artefact when it lies outside 300-2000 ms, or is more than 20 % off the
interval before it (Malik's rule). A difference counts only where both its intervals are normal.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass
from math import sqrt
from typing import Final

import numpy as np

WINDOW_S: Final = 60.0
SHORTEST_MS: Final = 300.0
LONGEST_MS: Final = 2000.0
LARGEST_CHANGE: Final = 0.2
LEAST_SHARE: Final = 0.5  # of the window that normal intervals must cover


@dataclass(frozen=True, slots=True)
class VariabilityFigures:
    """``normal``/``set_aside``: how many intervals were used, and were not. ``pnn50`` in per cent."""

    sdnn_ms: float
    rmssd_ms: float
    pnn50: float
    normal: int
    set_aside: int


def figures_of(
    normal_ms: Iterable[float], differences_ms: Iterable[float], set_aside: int
) -> VariabilityFigures:
    """The figures of normal intervals and their successive differences, at least two and one of them."""
    intervals, steps = np.array(list(normal_ms)), np.array(list(differences_ms))
    apart = intervals - float(intervals.sum()) / len(intervals)
    return VariabilityFigures(
        sqrt(float(apart @ apart) / (len(intervals) - 1)),
        sqrt(float(steps @ steps) / len(steps)),
        100 * int(np.count_nonzero(np.abs(steps) > 50)) / len(steps),
        len(intervals),
        set_aside,
    )


class Variability:
    """Takes RR intervals as they come; ``figures`` are of the last minute."""

    def __init__(self, window_s: float = WINDOW_S) -> None:
        self._window_s = window_s
        self.reset()

    def reset(self) -> None:
        # Of each interval the time of the ending beat, is it normal, and is there a difference?
        self._kept: deque[tuple[float, bool, bool]] = deque()
        self._normal: deque[float] = deque()
        self._steps: deque[float] = deque()
        self._since: float | None = None
        self.interrupt()

    def interrupt(self) -> None:
        """A beat without an interval (the first, or after a gap): nothing to compare the next one with."""
        self._before: float | None = None
        self._normal_before = False

    def add(self, time_s: float, rr_ms: float) -> None:
        """An interval that ended with the beat at ``time_s``."""
        if self._since is None:
            self._since = time_s - rr_ms / 1000
        before = self._before
        normal = SHORTEST_MS <= rr_ms <= LONGEST_MS and (
            before is None or abs(rr_ms - before) <= LARGEST_CHANGE * before
        )
        step = rr_ms - before if normal and self._normal_before and before is not None else None
        self._kept.append((time_s, normal, step is not None))
        if normal:
            self._normal.append(rr_ms)
        if step is not None:
            self._steps.append(step)
        self._before, self._normal_before = rr_ms, normal
        while self._kept[0][0] <= time_s - self._window_s:
            _, was_normal, had_step = self._kept.popleft()
            if was_normal:
                self._normal.popleft()
            if had_step:
                self._steps.popleft()

    @property
    def figures(self) -> VariabilityFigures | None:
        """None until a minute has passed, or where less than half of the last one is normal intervals."""
        if self._since is None or not self._kept or self._kept[-1][0] - self._since < self._window_s:
            return None
        normal, steps = self._normal, self._steps
        if len(normal) < 2 or not steps or sum(normal) < 1000 * LEAST_SHARE * self._window_s:
            return None
        return figures_of(normal, steps, len(self._kept) - len(normal))

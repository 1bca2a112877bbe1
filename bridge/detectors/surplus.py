"""More events than a body can make come from a loose electrode: a gate that shuts until they stop.

Limits are counts in any ten seconds, well above what people do (from memory, common practice): blinks at most
about four a second in a deliberate burst, saccades three to four a second while reading, taps of a muscle two
to three a second, 220 heartbeats a minute.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from typing import Final

from bridge.signals.types import Detection, Event, moment

WINDOW_S: Final = 10.0


class SurplusGate:
    """Lets a detector's output through until it says more than ``most`` things begin within ten seconds.

    Then nothing passes until the detector has come down to half of that. Works on sample time alone, so it
    makes no difference how the signal was cut into blocks.
    """

    def __init__(self, most: int) -> None:
        self._most = most
        self._begun: deque[float] = deque()
        self.shut = False

    def take(
        self, items: Sequence[Detection], now_s: float
    ) -> tuple[list[Detection], list[tuple[float, bool]]]:
        """What passes of ``items`` (in order of time), and when the gate shut (True) or opened (False).

        ``now_s`` is the time up to which the detector has seen the signal.
        """
        passed: list[Detection] = []
        turns: list[tuple[float, bool]] = []
        for item in items:
            at_s = moment(item)
            self._open_by(at_s, turns)
            if isinstance(item, Event) and item.edge != "end":
                self._begun.append(at_s)
                while self._begun[0] <= at_s - WINDOW_S:
                    self._begun.popleft()
                if not self.shut and len(self._begun) > self._most:
                    self.shut = True
                    turns.append((at_s, True))
            if not self.shut:
                passed.append(item)
        self._open_by(now_s, turns)
        return passed, turns

    def _open_by(self, now_s: float, turns: list[tuple[float, bool]]) -> None:
        if not self.shut:
            return
        half = self._most // 2
        # When only half of the limit is left in the window.
        opens_s = self._begun[-half - 1] + WINDOW_S if len(self._begun) > half else self._begun[-1]
        if now_s >= opens_s:
            self.shut = False
            turns.append((opens_s, False))

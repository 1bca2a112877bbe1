"""Deadlines in sample time, earliest first."""

from __future__ import annotations

import heapq
from collections.abc import Callable
from typing import Final

# A window that closes at t still takes an event at t, also when t came out of a sum of decimals.
SLACK_S: Final = 1e-6


class Timer:
    """``stamp`` is the time that actions get, ``due`` when it fires."""

    __slots__ = ("call", "due", "live", "order", "stamp")

    def __init__(self, due: float, stamp: float, order: int, call: Callable[[], None]) -> None:
        self.due = due
        self.stamp = stamp
        self.order = order
        self.call = call
        self.live = True

    def __lt__(self, other: Timer) -> bool:
        return (self.due, self.order) < (other.due, other.order)

    def cancel(self) -> None:
        self.live = False


class Timers:
    """The clock and its deadlines. Equal deadlines fire in the order in which they were set."""

    def __init__(self, now_s: float = 0.0) -> None:
        self.now_s = now_s
        self._heap: list[Timer] = []
        self._set = 0

    def at(self, time_s: float, call: Callable[[], None], *, closing: bool = False) -> Timer:
        """Call at ``time_s``; ``closing`` lets events of that very moment come first."""
        self._set += 1
        timer = Timer(time_s + SLACK_S if closing else time_s, time_s, self._set, call)
        heapq.heappush(self._heap, timer)
        if not self._set % 256 and sum(timer.live for timer in self._heap) * 2 < len(self._heap):
            self._heap = [timer for timer in self._heap if timer.live]
            heapq.heapify(self._heap)
        return timer

    def pop_due(self, time_s: float) -> Timer | None:
        """The next live timer that is due at ``time_s``, taken out."""
        while self._heap and self._heap[0].due <= time_s:
            timer = heapq.heappop(self._heap)
            if timer.live:
                timer.live = False
                return timer
        return None

    @property
    def next_s(self) -> float | None:
        """When the next one is due."""
        while self._heap and not self._heap[0].live:
            heapq.heappop(self._heap)
        return self._heap[0].due if self._heap else None

    def clear(self) -> None:
        for timer in self._heap:
            timer.live = False
        self._heap.clear()

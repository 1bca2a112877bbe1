"""The model person of the calibration tests at the other end of a daemon's source, doing what the page says."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import Any

from bridge.signals.types import Block, StreamInfo
from bridge.sources.protocol import Sink, SourceCounts

LABELS = {"BLINK firmly": "cue blink deliberate", "Blink firmly TWICE": "cue blink twice"}
EVERYDAY = {"Say": "talk", "Read": "read"}


class ReadingPerson:
    """A source. ``reads`` gives the page's state; ``slow_s`` is host time for a block of ``size`` samples."""

    def __init__(
        self, person: Any, info: StreamInfo, reads: Callable[[], dict[str, Any]], slow_s: float, size: int
    ) -> None:
        self._size = size
        self.counts = SourceCounts()
        self.person, self._info, self._reads, self.slow_s = person, info, reads, slow_s
        self.off = False
        self.words: list[str] = []

    async def open(self) -> StreamInfo:
        return self._info

    async def run(self, sink: Sink) -> None:
        first, cue, step = 0, 0, (0, "")
        while True:
            samples = self.person.signal(first, self._size)
            if self.off:
                samples[:] = self._info.channels[0].high
            first += self._size
            sink(Block(samples, first - self._size))
            time_s = first / self._info.rate
            state = self._reads()
            if state.get("cue", 0) != cue:
                cue = state.get("cue", 0)
                word = state.get("word", "")
                self.words.append(word)
                self.person.answer(LABELS.get(word, ""), time_s)
                if state.get("step") == "everyday":
                    what = EVERYDAY.get(word.split()[0], "rest")
                    self.person.spontaneous(time_s, time_s + 12.0, what)
            now = (state.get("number", 0), state.get("step", ""))
            if now != step:
                step = now
                if now[1] not in ("", "everyday"):
                    self.person.spontaneous(time_s, time_s + state["seconds"])
            await asyncio.sleep(self.slow_s)

    async def close(self) -> None:
        pass

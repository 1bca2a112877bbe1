"""The synthetic person as a source: no hardware needed."""

from __future__ import annotations

import asyncio

from bridge.signals.types import Block, StreamInfo
from bridge.sources.person import SyntheticPerson
from bridge.sources.protocol import Sink, SourceCounts, SourceError
from bridge.sources.replay import FAST_BLOCK, LIVE_BLOCK_S


class SyntheticSource:
    """Runs for ever, or for ``seconds`` of sample time. ``fast`` does not wait for the clock."""

    def __init__(
        self,
        seed: int = 0,
        rate_hz: float = 250.0,
        *,
        mains_hz: float = 50.0,
        fast: bool = False,
        seconds: float | None = None,
    ) -> None:
        self.counts = SourceCounts()
        try:
            self.person = SyntheticPerson(seed, rate_hz, mains_hz)
        except ValueError as error:
            raise SourceError(str(error)) from error
        self._fast = fast
        self._end = None if seconds is None else round(seconds * rate_hz)

    async def open(self) -> StreamInfo:
        return self.person.info

    async def run(self, sink: Sink) -> None:
        loop = asyncio.get_running_loop()
        rate = self.person.info.rate
        size = FAST_BLOCK if self._fast else max(1, round(rate * LIVE_BLOCK_S))
        origin_s = loop.time()
        first = 0
        while self._end is None or first < self._end:
            count = size if self._end is None else min(size, self._end - first)
            if self._fast:
                await asyncio.sleep(0)
            else:
                await asyncio.sleep(max(0.0, origin_s + (first + count) / rate - loop.time()))
            received = None if self._fast else loop.time()
            sink(Block(self.person.generate(count), first, received))
            first += count
            self.counts.samples = first

    async def close(self) -> None:
        """Nothing to let go of."""

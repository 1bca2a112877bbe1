"""A recording as a source: at its own pace, or as fast as the rest can take it."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from bridge.recordings import ChannelChoice, Recording, RecordingError, read
from bridge.signals.types import StreamInfo
from bridge.sources.protocol import Sink, SourceCounts, SourceError

# Live blocks are as long as those of a usual USB serial adapter (16 ms latency timer, common practice).
LIVE_BLOCK_S = 0.016
# Fast blocks are long enough to be cheap, short enough that the event loop lives.
FAST_BLOCK = 512


class ReplaySource:
    """Plays a recording. ``fast`` does not wait for the clock and leaves ``received`` unset."""

    def __init__(
        self,
        file: str | Path | Recording,
        *,
        rate_hz: float | None = None,
        channels: Sequence[ChannelChoice] | None = None,
        fast: bool = False,
    ) -> None:
        self.counts = SourceCounts()
        self.recording = file if isinstance(file, Recording) else None
        self._file = file
        self._rate_hz = rate_hz
        self._channels = channels
        self._fast = fast

    async def open(self) -> StreamInfo:
        """Read the file. Raises SourceError."""
        if self.recording is None:
            assert not isinstance(self._file, Recording)
            try:
                self.recording = await asyncio.to_thread(
                    read, self._file, rate=self._rate_hz, channels=self._channels
                )
            except RecordingError as error:
                raise SourceError(str(error)) from error
        return self.recording.info

    async def run(self, sink: Sink) -> None:
        if self.recording is None:
            raise RuntimeError("open() comes before run()")
        loop = asyncio.get_running_loop()
        rate = self.recording.info.rate
        size = FAST_BLOCK if self._fast else max(1, round(rate * LIVE_BLOCK_S))
        origin_s = loop.time() - self.recording.first / rate
        expected = self.recording.first
        for block in self.recording.blocks(size):
            if not self._fast:
                await asyncio.sleep(max(0.0, origin_s + block.end / rate - loop.time()))
                block = replace(block, received=loop.time())
            self.counts.lost_samples += max(0, block.first - expected)
            self.counts.samples += len(block)
            expected = block.end
            sink(block)
            if self._fast:
                await asyncio.sleep(0)

    async def close(self) -> None:
        self.recording = None

"""A recording as a source: at its own pace, or as fast as the rest can take it."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from bridge.recordings import ChannelChoice, Recording, RecordingError, check_readers, read
from bridge.signals.types import Block, Samples, StreamInfo
from bridge.sources.protocol import Sink, SourceCounts, SourceError
from bridge.sources.wiring import Wire

if TYPE_CHECKING:
    from bridge.rules.schema import ChannelSpec

log = logging.getLogger("bridge")

# Live blocks are as long as those of a usual USB serial adapter (16 ms latency timer, common practice).
LIVE_BLOCK_S = 0.016
# Fast blocks are long enough to be cheap, short enough that the event loop lives.
FAST_BLOCK = 512


class ReplaySource:
    """Plays a recording. ``fast`` does not wait for the clock and leaves ``received`` unset.

    ``specs`` are a rule file's channels: they choose, and may say scale and rails where the file does not.
    Raises MissingExtraError where the file's format needs one that is not installed.
    """

    def __init__(
        self,
        file: str | Path | Recording,
        *,
        rate_hz: float | None = None,
        channels: Sequence[ChannelChoice] | None = None,
        specs: Sequence[ChannelSpec] = (),
        fast: bool = False,
    ) -> None:
        if not isinstance(file, Recording):
            check_readers([file])
        self.counts = SourceCounts()
        self.recording = file if isinstance(file, Recording) else None
        self._file = file
        self._rate_hz = rate_hz
        self._specs = specs
        self._channels = channels or [ChannelChoice(spec.name, spec.kind) for spec in specs] or None
        self._fast = fast
        self._factors: Samples | None = None

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
            if self.recording.note:
                log.warning("%s", self.recording.note)
        if any(spec.column is not None for spec in self._specs):
            raise SourceError("`column` is for boards; a recording's channels go by their names")
        self._info, self._factors = _scaled(self.recording.info, self._specs)
        return self._info

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
                block = Block(block.samples, block.first, loop.time())
            self.counts.lost_samples += max(0, block.first - expected)
            self.counts.samples += len(block)
            expected = block.end
            if self._factors is not None:
                block = Block(block.samples * self._factors, block.first, block.received)
            sink(block)
            if self._fast:
                await asyncio.sleep(0)

    async def close(self) -> None:
        self.recording = None


def _scaled(info: StreamInfo, specs: Sequence[ChannelSpec]) -> tuple[StreamInfo, Samples | None]:
    """Channels with the scale and rails that a rule file adds, and the factors where there are any."""
    channels = list(info.channels)
    factors = np.ones(len(channels))
    for spec in specs:
        if (spec.gain, spec.bits, spec.low, spec.high) == (None,) * 4 and spec.unit == "count":
            continue
        for column, channel in enumerate(channels):
            if channel.name == spec.name:
                unit = channel.unit if spec.unit == "count" and spec.gain is None else spec.unit
                wire = Wire(
                    channel.name, channel.kind, None, spec.gain, spec.reference_voltage, spec.bits, unit,
                    spec.low, spec.high,
                )  # fmt: skip
                channels[column], factors[column] = wire.channel()
    return StreamInfo(tuple(channels), info.rate), factors if np.any(factors != 1.0) else None

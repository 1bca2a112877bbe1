"""The synthetic person as a source: no hardware needed."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from bridge.recordings.kinds import kind_of
from bridge.signals.types import Block, ChannelKind, StreamInfo
from bridge.sources.obeying import ObeyingPerson
from bridge.sources.protocol import Sink, SourceCounts, SourceError
from bridge.sources.replay import FAST_BLOCK, LIVE_BLOCK_S

RATE_HZ = 250.0
RELIABILITY = 0.95  # the share of a calibration's cues that the person follows, unless told otherwise


class SyntheticSource:
    """Runs for ever, or for ``seconds`` of sample time. ``fast`` does not wait for the clock.

    ``channels`` selects by the person's own channel names, or gives another name to the channel of a kind.
    """

    def __init__(
        self,
        seed: int = 0,
        rate_hz: float = RATE_HZ,
        *,
        mains_hz: float = 50.0,
        channels: Sequence[tuple[str, ChannelKind | None]] = (),
        fast: bool = False,
        seconds: float | None = None,
        reliability: float = RELIABILITY,
    ) -> None:
        """Raises SourceError."""
        self.counts = SourceCounts()
        try:
            self.person = ObeyingPerson(seed, rate_hz, mains_hz, reliability=reliability)
        except ValueError as error:
            raise SourceError(str(error)) from error
        self._columns, self._info = _chosen(self.person.info, channels)
        self._fast = fast
        self._end = None if seconds is None else round(seconds * rate_hz)

    async def open(self) -> StreamInfo:
        return self._info

    async def run(self, sink: Sink) -> None:
        loop = asyncio.get_running_loop()
        rate = self.person.info.rate
        size = FAST_BLOCK if self._fast else max(1, round(rate * LIVE_BLOCK_S))
        origin_s: float | None = None
        first = 0
        while self._end is None or first < self._end:
            count = size if self._end is None else min(size, self._end - first)
            # Made before they are due: what takes long at first must not look like a stall.
            samples = self.person.generate(count)
            if self._columns is not None:
                samples = np.ascontiguousarray(samples[:, self._columns])
            if origin_s is None:
                origin_s = loop.time()
            if self._fast:
                await asyncio.sleep(0)
            else:
                await asyncio.sleep(max(0.0, origin_s + (first + count) / rate - loop.time()))
            received = None if self._fast else loop.time()
            sink(Block(samples, first, received))
            first += count
            self.counts.samples = first

    def prompted(self, label: str, seconds: float) -> None:
        """The person sees a calibration's prompt, and does what it says."""
        self.person.prompted(label, seconds)

    async def close(self) -> None:
        """Nothing to let go of."""


def _chosen(
    info: StreamInfo, wanted: Sequence[tuple[str, ChannelKind | None]]
) -> tuple[list[int] | None, StreamInfo]:
    if not wanted:
        return None, info
    columns, channels = [], []
    for name, given in wanted:
        kind = given or kind_of(name)
        fitting = [i for i, channel in enumerate(info.channels) if channel.name == name] or [
            i for i, channel in enumerate(info.channels) if channel.kind == kind
        ]
        if not fitting:
            has = ", ".join(f"{channel.name} ({channel.kind})" for channel in info.channels)
            raise SourceError(f"the synthetic person has no channel {name!r}; it has: {has}")
        columns.append(fitting[0])
        channels.append(replace(info.channels[fitting[0]], name=name))
    return columns, StreamInfo(tuple(channels), info.rate)

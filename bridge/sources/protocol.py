"""What every source is: it opens, says what it carries, and hands blocks to a sink until it ends."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol, TypeAlias, runtime_checkable

from bridge.signals.types import Block, StreamInfo

Sink: TypeAlias = Callable[[Block], None]


class SourceError(Exception):
    """The source cannot be opened or used; the message says why and what to do."""


@dataclass(slots=True)
class SourceCounts:
    """What a source has seen; shown in the log, on exit and in the status."""

    samples: int = 0
    lost_samples: int = 0
    skipped_lines: int = 0  # garbage, half lines, wrong number of columns
    reconnects: int = 0


class Source(Protocol):
    counts: SourceCounts

    async def open(self) -> StreamInfo:
        """Find and open the device or file, measure what was not given. Raises SourceError."""
        ...

    async def run(self, sink: Sink) -> None:
        """Hand each block to ``sink``, on the event loop's thread, until the source ends or is cancelled."""
        ...

    async def close(self) -> None:
        """Let go of the device or file. May be called twice."""
        ...


@runtime_checkable
class Prompted(Protocol):
    """A source whose person sees the calibration's prompts by itself, because it is made up."""

    def prompted(self, label: str, seconds: float) -> None:
        """What the recording is marked with now: ``step …``, ``cue …`` or ``do …``, and how long it takes."""
        ...

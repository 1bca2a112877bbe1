"""Streams of the lab streaming layer (LSL), an open protocol for signals in a local network.

Needs the extra ``lsl``. Names of channels and units come from the stream's own description where the rule
file does not say them.
"""

from __future__ import annotations

import asyncio
import importlib
import logging
import threading
from collections.abc import Sequence
from typing import Any

import numpy as np

from bridge.extras import need
from bridge.recordings.kinds import kind_of, unit_of
from bridge.signals.types import Block, Samples, StreamInfo
from bridge.sources.clock import SampleClock
from bridge.sources.protocol import Sink, SourceCounts, SourceError
from bridge.sources.wiring import Wire, Wiring, wiring

log = logging.getLogger("bridge")

_FIND_S = 10.0
_WAIT_S = 0.1
_CHUNK = 4096


class LslSource:
    """Takes the stream called ``name`` (any, if empty). Time stamps show what was lost as jumps.

    Raises MissingExtraError.
    """

    def __init__(self, name: str = "", wires: Sequence[Wire] | None = None) -> None:
        need("lsl", "an LSL source")
        self.counts = SourceCounts()
        self.clock: SampleClock | None = None
        self._name = name
        self._wires = wires
        self._inlet: Any = None
        self._plan: Wiring | None = None
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self._numbering: Numbering | None = None

    async def open(self) -> StreamInfo:
        try:
            pylsl = importlib.import_module("pylsl")
        except (ImportError, RuntimeError) as error:  # the latter where the compiled library is not there
            raise SourceError(f"the LSL library cannot be loaded: {error}") from error
        found = await asyncio.to_thread(self._find, pylsl)
        rate_hz = float(found.nominal_srate())
        if rate_hz <= 0:
            raise SourceError(f"the LSL stream {found.name()!r} has no regular rate; choose one that has")
        self._inlet = pylsl.StreamInlet(found, max_buflen=30, recover=True)
        try:
            full = await asyncio.to_thread(self._inlet.info, 5.0)
        except (TimeoutError, RuntimeError) as error:
            raise SourceError(f"the LSL stream {found.name()!r} does not answer; start it again") from error
        wires = self._wires if self._wires is not None else _described(full)
        self._plan = wiring(wires)
        self._plan.check_columns(int(full.channel_count()), f"the LSL stream {found.name()!r}")
        self.clock = SampleClock(rate_hz)
        self._numbering = Numbering(rate_hz)
        return StreamInfo(self._plan.channels, rate_hz)

    def _find(self, library: Any) -> Any:
        streams = (
            library.resolve_byprop("name", self._name, timeout=_FIND_S)
            if self._name
            else library.resolve_streams(wait_time=2.0)
        )
        numeric = [stream for stream in streams if stream.channel_format() != library.cf_string]
        if not numeric:
            others = sorted({stream.name() for stream in library.resolve_streams(wait_time=1.0)})
            there = f"there are: {', '.join(others)}" if others else "no stream is to be found at all"
            wanted = f"no LSL stream of numbers is called {self._name!r}" if self._name else "no LSL stream"
            raise SourceError(f"{wanted}; {there}")
        return numeric[0]

    async def run(self, sink: Sink) -> None:
        """The library blocks, so a thread pulls and hands over."""
        assert self._inlet is not None
        loop = asyncio.get_running_loop()
        ended: asyncio.Future[None] = loop.create_future()

        def hand_over(table: Samples, stamps: Samples, received_s: float) -> None:
            if not self._stop.is_set():
                for block in self._blocks(table, stamps, received_s):
                    sink(block)

        def fail(error: Exception) -> None:
            if not ended.done():
                ended.set_exception(SourceError(f"the LSL stream is lost ({error})"))

        def pull() -> None:
            assert self._inlet is not None
            while not self._stop.is_set():
                try:
                    table, stamps = self._inlet.pull_chunk(_WAIT_S, _CHUNK, min_samples=1, as_numpy=True)
                    if len(stamps):
                        copied = np.array(table, dtype=np.float64)
                        loop.call_soon_threadsafe(hand_over, copied, np.array(stamps), loop.time())
                except RuntimeError as error:
                    if not self._stop.is_set():
                        loop.call_soon_threadsafe(fail, error)
                    return

        self._thread = threading.Thread(target=pull, name="LSL reader", daemon=True)
        self._thread.start()
        await ended

    def _blocks(self, table: Samples, stamps: Samples, received_s: float) -> list[Block]:
        assert self._plan is not None
        assert self._numbering is not None
        assert self.clock is not None
        blocks = []
        for first, start, stop in self._numbering.runs(stamps):
            self.counts.lost_samples = self._numbering.lost
            self.counts.samples += stop - start
            blocks.append(Block(self._plan.samples(table[start:stop]), first, received_s))  # type: ignore[arg-type]
        self.clock.update(blocks[-1].end - 1, received_s)
        return blocks

    async def close(self) -> None:
        self._stop.set()
        thread, self._thread = self._thread, None
        if thread is not None:
            await asyncio.to_thread(thread.join, 2.0)
        inlet, self._inlet = self._inlet, None
        if inlet is not None:
            await asyncio.to_thread(inlet.close_stream)


class Numbering:
    """Sample indices from time stamps (s): a stamp well later than due is a gap. No input or output."""

    def __init__(self, rate_hz: float) -> None:
        self._period_s = 1.0 / rate_hz
        self._next = 0
        self._due_s: float | None = None
        self.lost = 0

    def runs(self, stamps: Samples) -> list[tuple[int, int, int]]:
        """(first index, first row, row after the last) of each stretch without a gap."""
        found = []
        start = 0
        first = self._next
        due = self._due_s if self._due_s is not None else float(stamps[0])
        for row, stamp in enumerate(stamps.tolist()):
            # Half a dozen periods or 50 ms of jitter are no loss.
            if stamp - due > max(6 * self._period_s, 0.05):
                missed = round((stamp - due) / self._period_s)
                if row > start:
                    found.append((first, start, row))
                self.lost += missed
                self._next += missed
                start, first = row, self._next
                due = stamp
            # Follow the sender's clock slowly: it drifts, and single stamps jitter.
            due += self._period_s + 0.01 * (stamp - due)
            self._next += 1
        self._due_s = due
        found.append((first, start, len(stamps)))
        return found


def _described(full: Any) -> list[Wire]:
    """Channels as the stream describes them: ``label``, ``unit`` and ``type`` of its meta-data."""
    wires: list[Wire] = []
    unknown = []
    node = full.desc().child("channels").child("channel")
    for index in range(int(full.channel_count())):
        label = node.child_value("label") or f"channel {index + 1}"
        kind = kind_of(label) or kind_of(node.child_value("type")) or kind_of(full.type())
        unit, _ = unit_of(
            {"microvolts": "uV", "millivolts": "mV"}.get(node.child_value("unit"), node.child_value("unit"))
        )
        if kind is None:
            unknown.append(label)
        else:
            wires.append(Wire(label, kind, index, unit=unit))
        node = node.next_sibling("channel")
    if not wires:
        raise SourceError(
            f"what the LSL stream {full.name()!r} carries cannot be told ({', '.join(unknown)}); "
            f"say it with `channels`"
        )
    return wires

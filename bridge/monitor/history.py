"""The last two minutes of one stream: raw blocks for a re-run, and columns for the page.

A column is one or more samples; where it is more than one it keeps the least and the greatest, so a spike
of one sample stays visible. A stream of at most ``MAX_COLUMNS_HZ`` is kept sample by sample.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from bridge.detectors.protocol import Detector, Trace
from bridge.signals.types import Block, Samples, StreamInfo

KEEP_S = 120.0
# Wide enough for a 5 s window on a 2,500 pixel screen.
MAX_COLUMNS_HZ = 500.0
_CLOCK_S = 30
VIEWS = 3  # a detector's conditioned signal, upper and lower threshold

Columns = NDArray[np.float32]


class History:
    """Takes blocks at almost no cost (`add`) and sorts them into the ring from time to time (`settle`).

    ``first`` and ``end`` are the numbers of the oldest column kept and of the one that comes next; column c
    holds samples c * per_column and on. Rows: the channels, then ``VIEWS`` rows for each detector.
    """

    def __init__(self, info: StreamInfo, detectors: int, keep_s: float = KEEP_S) -> None:
        self.info = info
        self.detectors = detectors
        self.per_column = max(1, math.ceil(info.rate / MAX_COLUMNS_HZ))
        self.parts = 1 if self.per_column == 1 else 2
        self.rows = len(info.channels) + VIEWS * detectors
        self.length = max(1, math.ceil(keep_s * info.rate / self.per_column))
        self.epoch = 0
        self.samples = 0
        self.lost = 0
        self._most_pending = max(1, math.ceil(2 * info.rate))
        self._ring: Columns = np.full((self.rows, self.parts, self.length), np.nan, dtype=np.float32)
        self._clear()

    def _clear(self) -> None:
        self.first = self.end = 0
        self._started = False
        self._next = 0
        self._pending: list[tuple[Block, tuple[Trace | None, ...]]] = []
        self._waiting = 0
        self._rest: Samples = np.empty((0, self.rows))
        self._blocks: deque[Block] = deque()
        self._clock: deque[tuple[float, int]] = deque(maxlen=_CLOCK_S)

    def add(self, block: Block, detectors: Sequence[Detector] = ()) -> None:
        """The stream's next block, just after its detectors have seen it (as many as were announced)."""
        if block.first < self._next:
            # The source counts from the start again (a board was reset): what was kept has no place any more.
            self._clear()
            self.epoch += 1
        elif self._started:
            self.lost += block.first - self._next
        self._started = True
        self._next = block.end
        self.samples += len(block)
        if block.received is not None:
            self._clocked(block.received, block.end)
        self._pending.append((block, tuple(detector.trace for detector in detectors)))
        self._waiting += len(block)
        if self._waiting > self._most_pending:
            self.settle()

    def _clocked(self, received_s: float, end: int) -> None:
        if not self._clock or received_s - self._clock[-1][0] >= 1:
            self._clock.append((received_s, end))

    @property
    def measured_hz(self) -> float | None:
        """Samples a second by the host's clock, over the last half minute; None before the first seconds."""
        if len(self._clock) < 3:
            return None
        (from_s, first), (to_s, last) = self._clock[0], self._clock[-1]
        return (last - first) / (to_s - from_s)

    def settle(self) -> None:
        """Sort what came since the last call into columns."""
        if not self._pending:
            return
        pending, self._pending, self._waiting = self._pending, [], 0
        self._keep_raw([block for block, _ in pending])
        start = self.end * self.per_column
        if pending[-1][0].end - start > 2 * self.length * self.per_column or self.end == self.first:
            start = pending[0][0].first // self.per_column * self.per_column
            self.first = self.end = start // self.per_column
            self._rest = self._rest[:0]
        table = np.full((pending[-1][0].end - start, self.rows), np.nan)
        table[: len(self._rest)] = self._rest
        channels = len(self.info.channels)
        for block, traces in pending:
            table[block.first - start : block.end - start, :channels] = block.samples
            for place, trace in enumerate(traces):
                # A muted detector still shows the trace of an earlier block.
                if trace is not None and block.first <= trace.first < block.end:
                    rows = slice(trace.first - start, trace.first - start + len(trace.conditioned))
                    column = channels + VIEWS * place
                    table[rows, column] = trace.conditioned
                    table[rows, column + 1] = trace.upper
                    table[rows, column + 2] = trace.lower
        whole = len(table) // self.per_column
        self._rest = table[whole * self.per_column :].copy()
        self._write(table[: whole * self.per_column])

    def _write(self, table: Samples) -> None:
        if len(table) == 0:
            return
        table[~np.isfinite(table)] = np.nan  # a threshold is infinite while a detector learns
        if self.parts == 1:
            columns = table.T[:, np.newaxis, :]
        else:
            grouped = table.reshape(-1, self.per_column, self.rows)
            columns = np.stack([np.fmin.reduce(grouped, axis=1).T, np.fmax.reduce(grouped, axis=1).T], axis=1)
        count = columns.shape[2]
        newest = columns[:, :, -self.length :].astype(np.float32)
        places = np.arange(self.end + count - newest.shape[2], self.end + count) % self.length
        self._ring[:, :, places] = newest
        self.end += count
        self.first = max(self.first, self.end - self.length)

    def _keep_raw(self, blocks: Sequence[Block]) -> None:
        """Join neighbours, so that a stream of single samples does not keep one array each."""
        run: list[Block] = []
        for block in blocks:
            if run and block.first != run[-1].end:
                self._blocks.append(_joined(run))
                run = []
            run.append(block)
        self._blocks.append(_joined(run))
        oldest = self._blocks[-1].end - self.length * self.per_column
        while self._blocks[0].end <= oldest:
            self._blocks.popleft()

    def columns(self, first: int, end: int) -> Columns:
        """Columns ``first`` to ``end`` (not included), NaN for none; shape (rows, parts, end - first).

        Raises ValueError when they are not all kept.
        """
        if not self.first <= first <= end <= self.end:
            raise ValueError(f"columns {first}..{end} are not kept, only {self.first}..{self.end}")
        return self._ring[:, :, np.arange(first, end) % self.length]

    def blocks(self) -> list[Block]:
        """The raw signal kept, oldest first, gaps left out."""
        self.settle()
        return list(self._blocks)


def _joined(run: Sequence[Block]) -> Block:
    if len(run) == 1:
        return run[0]
    return Block(np.concatenate([block.samples for block in run]), run[0].first, run[-1].received)

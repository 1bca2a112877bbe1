"""Boards that speak Wi-Fi: lines of numbers over UDP or TCP, or OSC messages over UDP.

``udp`` and ``osc`` listen on a local port for whoever sends; ``tcp`` connects to the board and connects
again when the connection breaks.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from typing import Literal

from bridge.signals.types import StreamInfo
from bridge.sources.backoff import delay_s
from bridge.sources.clock import SampleClock, measured_rate
from bridge.sources.lines import LineDecoder
from bridge.sources.osc_rows import rows_of
from bridge.sources.protocol import Sink, SourceCounts, SourceError
from bridge.sources.wiring import Assembler, Wire, wiring

log = logging.getLogger("bridge")

Protocol = Literal["udp", "tcp", "osc"]

_FIRST_ROW_S = 15.0
_CONNECT_S = 5.0
_MEASURE_S = 3.0
_PENDING = 4096
_READ = 65536


class NetworkSource:
    """Listens at ``host`` and ``port`` (``udp``, ``osc``) or connects to them (``tcp``).

    ``address`` is the OSC address to take numbers from; None takes any. Datagrams from more than one
    sender are not mixed: the first one heard is taken until it has been silent for two seconds.
    """

    def __init__(
        self,
        wires: Sequence[Wire],
        *,
        protocol: Protocol = "udp",
        host: str = "127.0.0.1",
        port: int,
        rate_hz: float | None = None,
        address: str | None = None,
    ) -> None:
        self.counts = SourceCounts()
        self._plan = wiring(wires)
        self._protocol: Protocol = protocol
        self._host, self._port = host, port
        self._rate_hz = rate_hz
        self._address = address
        self._columns: int | None = None if self._plan.explicit else len(self._plan.columns)
        self._decoder = LineDecoder(self._columns, whole=True)
        self._assembler: Assembler | None = None
        self._pending: list[tuple[list[list[float]], float]] = []
        self._widths: Counter[int] = Counter()
        self._sink: Sink | None = None
        self._transport: asyncio.DatagramTransport | None = None
        self._writer: asyncio.StreamWriter | None = None
        self._task: asyncio.Task[None] | None = None
        self._sender: object = None
        self._sender_s = 0.0

    @property
    def clock(self) -> SampleClock | None:
        """Sample index to host time; None before the source is open."""
        return self._assembler.clock if self._assembler else None

    @property
    def _where(self) -> str:
        return f"{self._protocol}://{self._host}:{self._port}"

    async def open(self) -> StreamInfo:
        loop = asyncio.get_running_loop()
        if self._protocol == "tcp":
            reader = await self._connect_tcp()
            self._task = asyncio.ensure_future(self._read_tcp(reader))
        else:
            try:
                self._transport, _ = await loop.create_datagram_endpoint(
                    lambda: _Datagrams(self), local_addr=(self._host, self._port)
                )
            except OSError as error:
                raise SourceError(
                    f"cannot listen at {self._where} ({error.strerror or error}); choose another port"
                ) from error
        if self._rate_hz is None or self._columns is None:
            await self._first_rows()
        if self._columns is None:
            self._columns = self._widths.most_common(1)[0][0]
            self._plan.check_columns(self._columns, self._where)
            self._decoder.columns = self._columns
        rate_hz = self._rate_hz or await self._measure()
        self._assembler = Assembler(self._plan, rate_hz, self.counts, self._where)
        return self._assembler.info

    async def run(self, sink: Sink) -> None:
        assert self._assembler is not None
        pending, self._pending = self._pending, []
        self._sink = sink
        for rows, received_s in pending:
            fitting = [row for row in rows if len(row) == self._columns]
            if fitting:
                sink(replace(self._assembler.block(fitting, received_s), received=None))
        if self._task is not None:
            await self._task
        else:
            await asyncio.Event().wait()

    async def close(self) -> None:
        self._sink = None
        if self._task is not None:
            self._task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await self._task
            self._task = None
        if self._transport is not None:
            self._transport.close()
            self._transport = None
        self._close_writer()

    # -- opening ------------------------------------------------------------------------------------

    async def _first_rows(self) -> None:
        loop = asyncio.get_running_loop()
        until = loop.time() + _FIRST_ROW_S
        while self._widths.total() < 4:
            if loop.time() > until or (self._task is not None and self._task.done()):
                await self.close()
                heard = (
                    f"{self._decoder.skipped} other lines came" if self._decoder.skipped else "nothing came"
                )
                raise SourceError(
                    f"no lines of numbers at {self._where} ({heard}); is the board sending there?"
                )
            await asyncio.sleep(0.02)

    async def _measure(self) -> float:
        loop = asyncio.get_running_loop()
        until = loop.time() + _MEASURE_S
        while loop.time() < until:
            await asyncio.sleep(0.05)
        indices, times, total = [], [], 0
        for rows, received_s in self._pending:
            total += len(rows)
            indices.append(total)
            times.append(received_s)
        rate_hz = measured_rate(indices, times)
        if rate_hz is None:
            await self.close()
            raise SourceError(f"too few samples at {self._where} to measure the rate; give it with `rate:`")
        log.info("%s: measured %g Hz", self._where, rate_hz)
        return rate_hz

    async def _connect_tcp(self) -> asyncio.StreamReader:
        try:
            async with asyncio.timeout(_CONNECT_S):
                reader, self._writer = await asyncio.open_connection(self._host, self._port, limit=_READ)
        except (OSError, TimeoutError) as error:
            why = getattr(error, "strerror", None) or "no answer"
            raise SourceError(
                f"cannot connect to {self._where} ({why}); is the board on and in reach?"
            ) from error
        return reader

    def _close_writer(self) -> None:
        if self._writer is not None:
            self._writer.close()
            self._writer = None

    # -- data ---------------------------------------------------------------------------------------

    async def _read_tcp(self, reader: asyncio.StreamReader) -> None:
        """Read for ever; connect again when the connection breaks, the first failure told, repeats not."""
        loop = asyncio.get_running_loop()
        while True:
            with contextlib.suppress(OSError):
                while data := await reader.read(_READ):
                    self._take(self._decoder.feed(data), loop.time())
            log.warning("%s: the connection is gone; connecting again", self._where)
            self._close_writer()
            attempt = 0
            while True:
                attempt += 1
                await asyncio.sleep(delay_s(attempt))
                try:
                    reader = await self._connect_tcp()
                    break
                except SourceError as error:
                    log.debug("%s", error)
            self._decoder = LineDecoder(self._columns, whole=True)
            self.counts.reconnects += 1
            if self._assembler is not None:
                self._assembler.reconnected()

    def datagram(self, data: bytes, sender: object) -> None:
        """One datagram holds whole lines or one OSC packet."""
        now_s = asyncio.get_running_loop().time()
        if sender != self._sender:
            if self._sender is not None and now_s - self._sender_s < 2.0:
                self.counts.skipped_lines += 1
                return
            self._sender = sender
        self._sender_s = now_s
        if self._protocol == "osc":
            rows = rows_of(data, self._address)
            if rows is None:
                self.counts.skipped_lines += 1
                return
            if self._columns is not None:
                self.counts.skipped_lines += sum(len(row) != self._columns for row in rows)
                rows = [row for row in rows if len(row) == self._columns]
        else:
            decoder = LineDecoder(self._columns, whole=True)
            rows = decoder.feed(data if data.endswith(b"\n") else data + b"\n")
            self.counts.skipped_lines += decoder.skipped
        self._take(rows, now_s)

    def _take(self, rows: list[list[float]], received_s: float) -> None:
        if self._protocol == "tcp":
            self.counts.skipped_lines += self._decoder.skipped
            self._decoder.skipped = 0
        if not rows:
            return
        if self._assembler is not None and self._sink is not None:
            self._sink(self._assembler.block(rows, received_s))
        elif len(self._pending) < _PENDING:
            self._widths.update(len(row) for row in rows)
            self._pending.append((rows, received_s))


class _Datagrams(asyncio.DatagramProtocol):
    def __init__(self, source: NetworkSource) -> None:
        self._source = source

    def datagram_received(self, data: bytes, addr: object) -> None:
        self._source.datagram(data, addr)

"""Boards that speak Wi-Fi: lines of numbers over UDP or TCP, or OSC messages over UDP.

We listen, the board sends or connects. A board that connects again takes the place of its old connection.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
from collections import Counter
from collections.abc import Sequence
from typing import Literal

from bridge.signals.types import Block, StreamInfo
from bridge.sources.admission import LONGEST_LINE, Admission
from bridge.sources.clock import SampleClock, measured_rate
from bridge.sources.lines import LineDecoder
from bridge.sources.osc_rows import rows_of
from bridge.sources.protocol import Sink, SourceCounts, SourceError
from bridge.sources.wiring import Assembler, Wire, wiring

log = logging.getLogger("bridge")

Protocol = Literal["udp", "tcp", "osc"]

_FIRST_ROW_S = 15.0
_MEASURE_S = 3.0
_PENDING = 4096
_READ = 65536
_TOKEN_S = 5.0
_ANYBODY_HERE = Admission()


class NetworkSource:
    """Listens at ``host`` and ``port`` for lines (``udp``, ``tcp``) or OSC messages over UDP (``osc``).

    ``address`` is the OSC address to take numbers from; None takes any. Datagrams from more than one
    sender are not mixed: the first one heard is taken until it has been silent for two seconds. Over TCP
    ``admission`` may ask for TLS and a first line.
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
        admission: Admission = _ANYBODY_HERE,
    ) -> None:
        self.counts = SourceCounts()
        self._plan = wiring(wires)
        self._protocol: Protocol = protocol
        self._host, self._port = host, port
        self._rate_hz = rate_hz
        self._address = address
        self._admission = admission
        self._columns: int | None = None if self._plan.explicit else len(self._plan.columns)
        self._decoder = LineDecoder(self._columns, whole=True)
        self._assembler: Assembler | None = None
        self._pending: list[tuple[list[list[float]], float]] = []
        self._widths: Counter[int] = Counter()
        self._sink: Sink | None = None
        self._transport: asyncio.DatagramTransport | None = None
        self._server: asyncio.Server | None = None
        self._writer: asyncio.StreamWriter | None = None
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
        try:
            if self._protocol == "tcp":
                self._server = await asyncio.start_server(
                    self._connected, self._host, self._port, limit=_READ, ssl=self._admission.tls
                )
            else:
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
                block = self._assembler.block(fitting, received_s)
                if block is not None:
                    sink(Block(block.samples, block.first))
        await asyncio.Event().wait()  # what arrives comes by callback

    async def close(self) -> None:
        self._sink = None
        if self._server is not None:
            self._server.close()
            self._server = None
        if self._transport is not None:
            self._transport.close()
            self._transport = None
        self._close_writer()

    # -- opening ------------------------------------------------------------------------------------

    async def _first_rows(self) -> None:
        loop = asyncio.get_running_loop()
        until = loop.time() + _FIRST_ROW_S
        while self._widths.total() < 4:
            if loop.time() > until:
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

    def _close_writer(self) -> None:
        if self._writer is not None:
            self._writer.close()
            self._writer = None

    # -- data ---------------------------------------------------------------------------------------

    async def _connected(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """A board has connected: read it until it goes or another takes its place."""
        loop = asyncio.get_running_loop()
        if not await self._admitted(reader, writer):
            writer.close()
            return
        again = self._writer is not None or self.counts.samples > 0
        self._close_writer()
        self._writer = writer
        self._decoder = LineDecoder(self._columns, whole=True)
        if again:
            self.counts.reconnects += 1
            if self._assembler is not None:
                self._assembler.reconnected()
        peer = writer.get_extra_info("peername")
        log.info("%s: %s has connected", self._where, peer[0] if peer else "a board")
        with contextlib.suppress(OSError, asyncio.CancelledError):
            while (data := await reader.read(_READ)) and writer is self._writer:
                self._take(self._decoder.feed(data), loop.time())
        if writer is self._writer:
            log.warning("%s: the connection is gone; waiting for the board", self._where)
            self._close_writer()

    async def _admitted(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> bool:
        """A stranger may wait here for a moment, but takes nobody's place."""
        if self._admission.token is None:
            return True
        line = b""
        with contextlib.suppress(OSError, ValueError, TimeoutError, asyncio.IncompleteReadError):
            async with asyncio.timeout(_TOKEN_S):
                while not line.endswith(b"\n") and len(line) < LONGEST_LINE:
                    line += await reader.readexactly(1)
        if self._admission.admits(line):
            return True
        peer = writer.get_extra_info("peername")
        log.warning("%s: %s did not send the token; refused", self._where, peer[0] if peer else "somebody")
        return False

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
            block = self._assembler.block(rows, received_s)
            if block is not None:
                self._sink(block)
        elif len(self._pending) < _PENDING:
            self._widths.update(len(row) for row in rows)
            self._pending.append((rows, received_s))


class _Datagrams(asyncio.DatagramProtocol):
    def __init__(self, source: NetworkSource) -> None:
        self._source = source

    def datagram_received(self, data: bytes, addr: object) -> None:
        self._source.datagram(data, addr)

"""Boards that speak Wi-Fi and programs beside us: lines or OSC messages, by Unix socket, TCP or UDP.

We listen, the board sends or connects. A board that connects again takes the place of its old connection.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import socket
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import Literal

from bridge.signals.types import Block, StreamInfo
from bridge.sources import local_socket
from bridge.sources.admission import LONGEST_LINE, Admission
from bridge.sources.clock import SampleClock, measured_rate
from bridge.sources.lines import LineDecoder
from bridge.sources.osc_rows import rows_of
from bridge.sources.protocol import Sink, SourceCounts, SourceError
from bridge.sources.wiring import Assembler, Wire, wiring
from bridge.trust.guesses import Guesses
from bridge.trust.listener import Listener, bind_tcp

log = logging.getLogger("bridge")

Protocol = Literal["unix", "udp", "tcp", "osc"]

_FIRST_ROW_S = 15.0
_MEASURE_S = 3.0
_PENDING = 4096
_READ = 65536
_TOKEN_S = 5.0


class NetworkSource:
    """Listens for lines (``unix``, ``udp``, ``tcp``) or OSC messages (``osc``), at ``path`` or a port.

    ``address`` is the OSC address to take numbers from; None takes any. Datagrams from more than one
    sender are not mixed: the first one heard is taken until it has been silent for two seconds.
    ``admission`` may ask for a token (the first line of a connection or datagram, the first argument of an
    OSC message) and, over TCP, for TLS.
    """

    def __init__(
        self,
        wires: Sequence[Wire],
        *,
        protocol: Protocol,
        admission: Admission,
        host: str = "127.0.0.1",
        port: int = 0,
        path: Path | None = None,
        rate_hz: float | None = None,
        address: str | None = None,
    ) -> None:
        self.counts = SourceCounts()
        self._plan = wiring(wires)
        self._protocol: Protocol = protocol
        self._host, self._port, self._path = host, port, path
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
        self._listener: Listener | None = None
        self._guesses = Guesses()
        self._writer: asyncio.StreamWriter | None = None
        self._sender: object = None
        self._sender_s = 0.0

    @property
    def clock(self) -> SampleClock | None:
        """Sample index to host time; None before the source is open."""
        return self._assembler.clock if self._assembler else None

    @property
    def _where(self) -> str:
        if self._path is not None:
            return str(self._path)
        return f"{self._protocol}://{self._host}:{self._port}"

    @property
    def _streams(self) -> bool:
        return self._protocol in ("tcp", "unix")

    async def open(self) -> StreamInfo:
        await self._listen()
        if self._rate_hz is None or self._columns is None:
            await self._first_rows()
        if self._columns is None:
            self._columns = self._widths.most_common(1)[0][0]
            self._plan.check_columns(self._columns, self._where)
            self._decoder.columns = self._columns
        rate_hz = self._rate_hz or await self._measure()
        self._assembler = Assembler(self._plan, rate_hz, self.counts, self._where)
        return self._assembler.info

    async def _listen(self) -> None:
        loop = asyncio.get_running_loop()
        try:
            if self._streams:
                sockets = (
                    bind_tcp(self._host, self._port)
                    if self._path is None
                    else [local_socket.bind(self._path, socket.SOCK_STREAM)]
                )
                self._listener = Listener(
                    self._where, sockets, self._protocol_for_one, tls=self._admission.tls
                )
            elif self._path is not None:
                bound = local_socket.bind(self._path, socket.SOCK_DGRAM)
                self._transport, _ = await loop.create_datagram_endpoint(lambda: _Datagrams(self), sock=bound)
            else:
                self._transport, _ = await loop.create_datagram_endpoint(
                    lambda: _Datagrams(self), local_addr=(self._host, self._port)
                )
        except OSError as error:
            raise SourceError(
                f"cannot listen at {self._where} ({error.strerror or error}); choose another port"
            ) from error
        if self._path is not None:
            log.info("samples are taken at %s", self._path)

    def _protocol_for_one(self) -> asyncio.Protocol:
        reader = asyncio.StreamReader(limit=_READ)
        return asyncio.StreamReaderProtocol(reader, self._connected)

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
        if self._listener is not None:
            await self._listener.close()
            self._listener = None
        if self._transport is not None:
            self._transport.close()
            self._transport = None
        self._close_writer()
        if self._path is not None:
            self._path.unlink(missing_ok=True)

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
        if self._listener is not None:
            self._listener.know(writer.transport)
        again = self._writer is not None or self.counts.samples > 0
        self._close_writer()
        self._writer = writer
        self._decoder = LineDecoder(self._columns, whole=True)
        if again:
            self.counts.reconnects += 1
            if self._assembler is not None:
                self._assembler.reconnected()
        log.info("%s: %s has connected", self._where, _address_of(writer))
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
        address = _address_of(writer)
        log.warning("%s: %s did not send the token; refused", self._where, address)
        await asyncio.sleep(self._guesses.wrong(address, asyncio.get_running_loop().time()))
        return False

    def datagram(self, data: bytes, sender: object) -> None:
        """One datagram holds whole lines or one OSC packet."""
        now_s = asyncio.get_running_loop().time()
        token: str | None = None
        if self._admission.token is not None:
            if self._protocol == "osc":
                token = self._admission.token
            else:
                line, _, data = data.partition(b"\n")
                if not self._admission.admits(line):
                    self._refuse_datagram()
                    return
        found = rows_of(data, self._address, token) if self._protocol == "osc" else []
        if found is None:
            if token is None:
                self._skip()
            else:
                self._refuse_datagram()
            return
        if sender != self._sender:
            if self._sender is not None and now_s - self._sender_s < 2.0:
                self.counts.skipped_lines += 1
                return
            self._sender = sender
        self._sender_s = now_s
        if self._protocol == "osc":
            rows = found
            if self._columns is not None:
                self.counts.skipped_lines += sum(len(row) != self._columns for row in rows)
                rows = [row for row in rows if len(row) == self._columns]
        else:
            decoder = LineDecoder(self._columns, whole=True)
            rows = decoder.feed(data if data.endswith(b"\n") else data + b"\n")
            self.counts.skipped_lines += decoder.skipped
        self._take(rows, now_s)

    def _skip(self) -> None:
        self.counts.skipped_lines += 1

    def _refuse_datagram(self) -> None:
        self._skip()
        log.warning("%s: a datagram without the token; passed over", self._where)

    def _take(self, rows: list[list[float]], received_s: float) -> None:
        if self._streams:
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


def _address_of(writer: asyncio.StreamWriter) -> str:
    peer = writer.get_extra_info("peername")
    return str(peer[0]) if isinstance(peer, tuple) else "a program of this user"


class _Datagrams(asyncio.DatagramProtocol):
    def __init__(self, source: NetworkSource) -> None:
        self._source = source

    def datagram_received(self, data: bytes, addr: object) -> None:
        self._source.datagram(data, addr)

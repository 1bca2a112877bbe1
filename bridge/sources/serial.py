"""A board on a serial port: lines of numbers, or the frames of our own microcontroller program.

The port is named or found, the baud rate given or tried, the sampling rate given or measured. A port
that goes away is looked for until it is back; what was missed shows as a jump in ``first``. Nothing is
ever written to a port whose board has not said hello as ours does.
"""

from __future__ import annotations

import asyncio
import logging
import os
from collections.abc import Sequence
from typing import Any, Final

from bridge.signals.types import Block, StreamInfo
from bridge.sources.backoff import delay_s
from bridge.sources.board import RATES_HZ, BoardSession
from bridge.sources.clock import SampleClock, measured_rate
from bridge.sources.frames import FrameDecoder, Hello
from bridge.sources.lines import LineDecoder
from bridge.sources.protocol import Sink, SourceCounts, SourceError
from bridge.sources.serial_link import SerialLink
from bridge.sources.serial_ports import (
    USUAL_BAUD,
    PortInfo,
    find_again,
    list_ports,
    open_port,
    port_named,
)
from bridge.sources.tuning import FIRST_BYTE_S, Tuner
from bridge.sources.wiring import Assembler, Wire, wiring, with_bits

log = logging.getLogger("bridge")

_NAMED_PORT_S: Final = 15.0  # how long to wait for the first byte of a port that the user named
_PSEUDO_S: Final = 0.3
_SETTLE_S: Final = 5.0
_MEASURE_S: Final = 3.0
_PENDING: Final = 4096  # chunks kept between open() and run()


class SerialSource:
    """``port`` is ``auto`` or a device's name; ``baud`` and ``rate_hz`` None: tried and measured."""

    def __init__(
        self,
        wires: Sequence[Wire],
        *,
        port: str = "auto",
        baud: int | None = None,
        rate_hz: float | None = None,
    ) -> None:
        self.counts = SourceCounts()
        self._plan = wiring(wires)
        self._named = None if port == "auto" else port
        self._given_baud = baud
        self._given_rate_hz = rate_hz
        self._baud = baud or USUAL_BAUD[0]
        self._port = PortInfo("")
        self._link: SerialLink | None = None
        self._decoder = LineDecoder()
        self._tuner: Tuner | None = None
        self._skipped_before = 0
        self._assembler: Assembler | None = None
        self._wires = list(wires)
        self._session: BoardSession | None = None
        self._watch = FrameDecoder()  # for a hello that comes after lines were expected
        self._restarts = 0
        self._bad_frames = 0
        self._pending: list[tuple[Sequence[Any], float]] = []  # rows or samples, and when they came
        self._sink: Sink | None = None
        self._lost = asyncio.Event()
        self._told_columns = False

    @property
    def clock(self) -> SampleClock | None:
        """Sample index to host time; None before the source is open."""
        return self._assembler.clock if self._assembler else None

    async def open(self) -> StreamInfo:
        columns: int | None = None
        if self._named is not None:
            self._port = port_named(self._named)
            columns = await self._listen(self._port, patient=True)
        else:
            columns = await self._find()
        if columns is not None:
            self._plan.check_columns(columns, f"port {self._port.device}")
        elif not self._plan.explicit:
            columns = len(self._plan.columns)
        self._decoder.columns = columns
        self._tuner = None
        if self._session is not None:
            rate_hz = await self._settle(self._session)
        else:
            rate_hz = self._given_rate_hz or await self._measure()
        self._assembler = Assembler(self._plan, rate_hz, self.counts, f"port {self._port.device}")
        return self._assembler.info

    async def run(self, sink: Sink) -> None:
        assert self._assembler is not None
        self._sink = sink
        pending, self._pending = self._pending, []
        for payload, received_s in pending:
            for block in self._blocks(payload, received_s):
                # These have waited for us: they say nothing about latency.
                sink(Block(block.samples, block.first))
        while True:
            await self._lost.wait()
            await self._reconnect()

    async def close(self) -> None:
        self._sink = None
        self._drop_link()

    # -- finding the port and how it speaks ------------------------------------------------------------

    async def _find(self) -> int | None:
        """The first port that sends lines with enough numbers. Raises SourceError with what each one did."""
        ports = [port for port in list_ports() if port.usb] or list_ports()
        if not ports:
            raise SourceError("no serial port was found; plug the board in, or name its port with `port:`")
        said = []
        for port in ports:
            self._port = port
            try:
                columns = await self._listen(port, patient=False)
                if columns is not None or self._session is not None:
                    if columns is not None:
                        self._plan.check_columns(columns, f"port {port.device}")
                    log.info("port %s at %d baud: %s", port.device, self._baud, port.likely)
                    return columns
            except SourceError as error:
                said.append(str(error))
            self._drop_link()
        raise SourceError("no port sends what the channels need: " + "; ".join(said))

    async def _listen(self, port: PortInfo, *, patient: bool) -> int | None:
        """Open the port and hear how many numbers a line has, at the given or a usual baud rate.

        None: nothing was heard, but nothing more needs to be known to begin. Raises SourceError.
        """
        rates = (self._given_baud,) if self._given_baud else USUAL_BAUD
        self._connect(port.device, rates[0])
        link, tuner = self._link, self._tuner
        assert link is not None
        assert tuner is not None
        known = self._given_rate_hz is not None and not self._plan.explicit
        # A pseudo-terminal has no board behind it that restarts when it is opened.
        pseudo = os.path.realpath(port.device).startswith("/dev/pts/")
        if not await tuner.first_byte(_PSEUDO_S if patient and known and pseudo else FIRST_BYTE_S):
            if patient and known:
                log.log(
                    logging.INFO if pseudo else logging.WARNING,
                    "nothing heard on port %s yet; waiting at %d baud",
                    port.device,
                    rates[0],
                )
                self._tuner = None
                return None
            if not patient or not await tuner.first_byte(_NAMED_PORT_S - FIRST_BYTE_S):
                self._drop_link()
                raise SourceError(
                    f"nothing was heard on port {port.device}; is the board sending, and is it this port?"
                )
        found = await tuner.tune(link, rates)
        if found is None:
            self._drop_link()
            tried = ", ".join(str(rate) for rate in rates)
            raise SourceError(
                f"port {port.device} (tried {tried} baud): {tuner.hearing.describe()}; "
                "give the baud rate (--baud, or `baud:` in a rule file), or send text lines"
            )
        self._baud, columns = found
        if tuner.hearing.hello is not None:
            self._tuner = None
            self._begin_session(tuner.hearing.hello)
            return None
        self._take_over(tuner, columns)
        return columns

    def _begin_session(self, hello: Hello) -> None:
        """The board runs our own program: from now on its frames are read and it is told how to sample."""
        channels = max(self._plan.columns) + 1
        if self._given_rate_hz is not None and self._given_rate_hz not in RATES_HZ:
            rates = ", ".join(map(str, RATES_HZ))
            raise SourceError(
                f"the board on port {self._port.device} samples at {rates} Hz, "
                f"not {self._given_rate_hz:g}; correct `rate:`"
            )
        rate_hz = round(self._given_rate_hz) if self._given_rate_hz else None
        self._session = BoardSession(channels, rate_hz)
        if self._assembler is None:
            self._plan = wiring(with_bits(self._wires, hello.bits))
        log.info("port %s: a board with our program, %d bits", self._port.device, hello.bits)

    async def _settle(self, session: BoardSession) -> float:
        """Wait until the board samples as wanted. Raises SourceError when it will not."""
        loop = asyncio.get_running_loop()
        until = loop.time() + _SETTLE_S
        while not session.settled:
            if session.refused is not None:
                raise SourceError(f"the board on port {self._port.device} refuses: {session.refusal()}")
            if loop.time() > until or self._lost.is_set():
                raise SourceError(f"the board on port {self._port.device} does not answer; plug it in again")
            await asyncio.sleep(0.01)
        assert session.rate_hz is not None
        return float(session.rate_hz)

    def _take_over(self, tuner: Tuner, columns: int) -> None:
        """Go on with the decoder that listened; the lines it has heard are the first samples."""
        self._decoder = tuner.hearing.decoder
        self._decoder.skipped = self._skipped_before = 0
        rows = [row for row in tuner.hearing.rows if len(row) == columns]
        self._pending.append((rows, asyncio.get_running_loop().time()))
        self._tuner = None

    async def _measure(self) -> float:
        """The sampling rate from the lines of a few seconds. Raises SourceError."""
        loop = asyncio.get_running_loop()
        indices: list[int] = []
        times: list[float] = []
        until = loop.time() + _MEASURE_S
        seen = len(self._pending)
        total = 0
        while loop.time() < until and not self._lost.is_set():
            await asyncio.sleep(0.05)
            for rows, received_s in self._pending[seen:]:
                total += len(rows)
                indices.append(total)
                times.append(received_s)
            seen = len(self._pending)
        rate_hz = measured_rate(indices, times)
        if rate_hz is None:
            raise SourceError(
                f"port {self._port.device} sent too few lines in {_MEASURE_S:g} s to measure the rate; "
                f"give it with `rate:`"
            )
        log.info("port %s: measured %g Hz", self._port.device, rate_hz)
        return rate_hz

    # -- bytes ------------------------------------------------------------------------------------------

    def _connect(self, device: str, baud: int) -> None:
        self._drop_link()
        self._lost.clear()
        self._baud = baud
        self._tuner = Tuner() if self._assembler is None else None
        self._link = SerialLink(open_port(device, baud), self._on_data, self._on_lost)
        self._link.start()

    def _drop_link(self) -> None:
        link, self._link = self._link, None
        if link is not None:
            link.close()

    def _on_data(self, data: bytes, received_s: float) -> None:
        if self._tuner is not None:
            self._tuner.hearing.feed(data, received_s)
            return
        if self._session is not None:
            self._on_frames(self._session, data, received_s)
            return
        if self.counts.samples == 0:
            self._look_for_hello(data)
        rows = self._decoder.feed(data)
        if self._decoder.skipped != self._skipped_before:
            self.counts.skipped_lines += self._decoder.skipped - self._skipped_before
            self._skipped_before = self._decoder.skipped
            self._maybe_tell_columns()
        if rows:
            self._deliver(rows, received_s)

    def _on_frames(self, session: BoardSession, data: bytes, received_s: float) -> None:
        samples = session.feed(data)
        self.counts.skipped_lines += session.decoder.bad - self._bad_frames
        self._bad_frames = session.decoder.bad
        commands = session.outgoing()
        if commands and self._link is not None:
            self._link.write(commands)
        if session.restarts != self._restarts:
            self._restarts = session.restarts
            if self._assembler is not None:
                self._assembler.restarted()
            self._pending.clear()
        if samples:
            self._deliver(samples, received_s)

    def _look_for_hello(self, data: bytes) -> None:
        """Lines were expected without having heard any; this may be a board of ours after all."""
        for message in self._watch.feed(data):
            if isinstance(message, Hello) and self._session is None:
                try:
                    self._begin_session(message)
                    self._pending.clear()
                except SourceError as error:
                    log.error("%s", error)

    def _deliver(self, payload: Sequence[Any], received_s: float) -> None:
        """Rows or samples that arrived together go to the sink, or wait for it."""
        if self._sink is None:
            if len(self._pending) < _PENDING:
                self._pending.append((payload, received_s))
            return
        for block in self._blocks(payload, received_s):
            self._sink(block)

    def _blocks(self, payload: Sequence[Any], received_s: float) -> list[Block]:
        assert self._assembler is not None
        if self._session is not None:
            return self._assembler.numbered(payload, received_s)
        block = self._assembler.block(payload, received_s) if payload else None
        return [] if block is None else [block]

    def _maybe_tell_columns(self) -> None:
        if not self._told_columns and self.counts.samples == 0 and self.counts.skipped_lines >= 50:
            self._told_columns = True
            log.warning(
                "port %s: %d lines came, none with %s numbers; check the channels and the baud rate",
                self._port.device,
                self.counts.skipped_lines,
                self._decoder.columns,
            )

    def _on_lost(self, reason: str) -> None:
        if not self._lost.is_set():
            log.warning("port %s is gone (%s); looking for it", self._port.device, reason)
            self._lost.set()
            if self._tuner is not None:
                self._tuner.lost = True

    async def _reconnect(self) -> None:
        """Try until the same device is there again; the first failure was told, repeats are for debugging."""
        assert self._assembler is not None
        self._drop_link()
        attempt = 0
        while True:
            attempt += 1
            await asyncio.sleep(delay_s(attempt))
            device = find_again(self._port, list_ports())
            if device is None:
                continue
            self._decoder.reset()
            if self._session is not None:
                self._session.reconnected()
            else:
                self._assembler.reconnected()
            try:
                self._connect(device, self._baud)
            except SourceError as error:
                log.debug("%s", error)
                continue
            self.counts.reconnects += 1
            log.info("port %s is back", device)
            return

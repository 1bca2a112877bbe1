"""A board on a serial port that sends lines of numbers.

The port is named or found, the baud rate given or tried, the sampling rate given or measured. A port
that goes away is looked for until it is back; what was missed shows as a jump in ``first``.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Sequence
from dataclasses import replace

from bridge.signals.types import StreamInfo
from bridge.sources.backoff import delay_s
from bridge.sources.clock import SampleClock, measured_rate
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
from bridge.sources.wiring import Assembler, Wire, wiring

log = logging.getLogger("bridge")

_NAMED_PORT_S = 15.0  # how long to wait for the first byte of a port that the user named
_MEASURE_S = 3.0
_PENDING = 4096  # chunks kept between open() and run()


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
        self._pending: list[tuple[list[list[float]], float]] = []
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
        rate_hz = self._given_rate_hz or await self._measure()
        self._assembler = Assembler(self._plan, rate_hz, self.counts, f"port {self._port.device}")
        return self._assembler.info

    async def run(self, sink: Sink) -> None:
        assert self._assembler is not None
        self._sink = sink
        pending, self._pending = self._pending, []
        for rows, received_s in pending:
            # These have waited for us: they say nothing about latency.
            sink(replace(self._assembler.block(rows, received_s), received=None))
        while True:
            await self._lost.wait()
            await self._reconnect()

    async def close(self) -> None:
        self._sink = None
        self._drop_link()

    # -- finding the port and how it speaks ------------------------------------------------------------

    async def _find(self) -> int:
        """The first port that sends lines with enough numbers. Raises SourceError with what each one did."""
        ports = [port for port in list_ports() if port.usb] or list_ports()
        if not ports:
            raise SourceError("no serial port was found; plug the board in, or name its port with `port:`")
        said = []
        for port in ports:
            self._port = port
            try:
                columns = await self._listen(port, patient=False)
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
        if patient and known and (self._given_baud or port.device.startswith("/dev/pts/")):
            self._tuner = None
            return None
        if not await tuner.first_byte(FIRST_BYTE_S):
            if patient and known:
                log.warning("nothing heard on port %s yet; waiting at %d baud", port.device, rates[0])
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
                f"give `baud:`, or send text lines"
            )
        self._baud, columns = found
        self._take_over(tuner, columns)
        return columns

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
        rows = self._decoder.feed(data)
        if self._decoder.skipped != self._skipped_before:
            self.counts.skipped_lines += self._decoder.skipped - self._skipped_before
            self._skipped_before = self._decoder.skipped
            self._maybe_tell_columns()
        if not rows:
            return
        if self._sink is None:
            if len(self._pending) < _PENDING:
                self._pending.append((rows, received_s))
            return
        self._deliver(rows, received_s)

    def _deliver(self, rows: list[list[float]], received_s: float) -> None:
        if self._assembler is not None and self._sink is not None and rows:
            self._sink(self._assembler.block(rows, received_s))

    def _maybe_tell_columns(self) -> None:
        if not self._told_columns and self.counts.samples == 0 and self.counts.skipped_lines >= 50:
            self._told_columns = True
            log.warning(
                "port %s: %d lines came, none with %s numbers; check `channels` and `baud`",
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
            self._assembler.reconnected()
            try:
                self._connect(device, self._baud)
            except SourceError as error:
                log.debug("%s", error)
                continue
            self.counts.reconnects += 1
            log.info("port %s is back", device)
            return

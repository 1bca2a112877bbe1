"""Listening to an open port until it is clear how it speaks: baud rate and numbers a line."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from bridge.sources.clock import measured_rate
from bridge.sources.hearing import Hearing
from bridge.sources.protocol import SourceError
from bridge.sources.serial_link import SerialLink
from bridge.sources.serial_ports import USUAL_BAUD, PortInfo, open_port

FIRST_BYTE_S = 3.0  # a board that restarts when its port is opened is silent for up to two seconds
TRY_BAUD_S = 1.2
_POLL_S = 0.02


class Tuner:
    """Gathers what a port sends while baud rates are tried. Feed it from the link's ``on_data``."""

    def __init__(self) -> None:
        self.hearing = Hearing()
        self.lost = False

    async def first_byte(self, limit_s: float) -> bool:
        """Wait until anything comes."""
        return await self._until(lambda: self.hearing.heard_bytes > 0, limit_s)

    async def tune(self, link: SerialLink, bauds: Sequence[int]) -> tuple[int, int] | None:
        """Baud rate and numbers a line, or None. ``hearing`` holds what was heard at that rate."""
        for number, baud in enumerate(bauds):
            if number:
                try:
                    link.set_baud(baud)
                except (ValueError, OSError):
                    continue  # not every system or adapter has every rate
                self.hearing = Hearing()
            await self._until(lambda: self.hearing.columns() is not None, TRY_BAUD_S)
            columns = self.hearing.columns(final=True)
            if columns is not None:
                return baud, columns
        return None

    async def _until(self, done: Callable[[], bool], limit_s: float) -> bool:
        loop = asyncio.get_running_loop()
        until = loop.time() + limit_s
        while loop.time() < until and not self.lost:
            if done():
                return True
            await asyncio.sleep(_POLL_S)
        return done()


@dataclass(frozen=True, slots=True)
class Heard:
    """What was found out about a port; ``problem`` says why nothing was."""

    port: PortInfo
    baud: int | None = None
    columns: int | None = None
    rate_hz: float | None = None
    own_program: bool = False  # a board that says hello as our microcontroller program does
    problem: str = ""


async def survey(port: PortInfo, *, measure_s: float = 2.0, first_byte_s: float = FIRST_BYTE_S) -> Heard:
    """Open a port, listen, close it. Nothing is ever written to it."""
    tuner = Tuner()

    def on_lost(_: str) -> None:
        tuner.lost = True

    try:
        opened = open_port(port.device, USUAL_BAUD[0])
    except SourceError as error:
        return Heard(port, problem=str(error))
    link = SerialLink(opened, lambda data, host_s: tuner.hearing.feed(data, host_s), on_lost)
    link.start()
    try:
        if not await tuner.first_byte(first_byte_s):
            return Heard(port, problem="it sends nothing")
        found = await tuner.tune(link, USUAL_BAUD)
        if found is None:
            return Heard(port, problem=tuner.hearing.describe())
        hello = tuner.hearing.hello
        if hello is not None:
            return Heard(port, found[0], hello.channels, float(hello.rate_hz), own_program=True)
        await asyncio.sleep(measure_s)
        arrivals = tuner.hearing.arrivals
        rate_hz = measured_rate([count for count, _ in arrivals], [host_s for _, host_s in arrivals])
        return Heard(port, *found, rate_hz)
    finally:
        link.close()

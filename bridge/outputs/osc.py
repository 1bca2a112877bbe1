"""OSC 1.0 messages over UDP, or TCP framed by SLIP as OSC 1.1 asks.

What an event caused goes out as a bundle whose time tag is the event's onset; levels go as plain messages.
A receiver that is away costs its messages, which are counted, and nothing else: old control is worse than
none, so nothing waits for it.
"""

from __future__ import annotations

import asyncio
import logging
import math
import socket
import struct
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from functools import lru_cache
from typing import Any, Final

from bridge.outputs.backoff import delay_s
from bridge.outputs.cloudevents import onset_ago_s
from bridge.outputs.limits import OSC_PER_S, RateLimit
from bridge.outputs.protocol import OutputCounts, OutputError
from bridge.rules.actions import Action, SendBundle, SendOsc
from bridge.rules.addresses import osc_address_problem
from bridge.signals.types import Event

log = logging.getLogger("bridge.osc")

_LARGEST_DATAGRAM: Final = 65_507  # bytes of payload that a UDP datagram over IPv4 holds
_LARGEST_FLOAT: Final = 3.4028234e38  # of 32 bits
_MOST_WAITING: Final = 65_536  # bytes that may wait for a slow TCP receiver
_LOOK_UP_S: Final = 5.0
_NTP_ERA_ENDS_S: Final = 2**32 - 2_208_988_800  # seconds since 1970; RFC 5905, 6


class OscProblemError(ValueError):
    """A message that OSC 1.0 cannot carry."""


def datagram(act: SendOsc | SendBundle, onset_s: float | None) -> bytes:
    """The bytes of a message, or of a bundle whose time tag is ``onset_s`` (seconds since 1970).

    Without ``onset_s`` a single message goes bare and several go as a bundle for now. Raises
    OscProblemError.
    """
    raw = _numbers_only(act) if onset_s is None and isinstance(act, SendOsc) else None
    if raw is None:
        raw = _built(act, onset_s)
    if len(raw) > _LARGEST_DATAGRAM:
        raise OscProblemError(f"the message has {len(raw)} bytes, more than fit into a datagram")
    return raw


def _built(act: SendOsc | SendBundle, onset_s: float | None) -> bytes:
    from pythonosc.osc_bundle_builder import IMMEDIATELY, OscBundleBuilder
    from pythonosc.osc_message_builder import BuildError

    try:
        if isinstance(act, SendOsc) and onset_s is None:
            return bytes(_message(act).dgram)
        # NTP seconds wrap round every 2**32, next in 2036; the library does not.
        tag_s = IMMEDIATELY if onset_s is None else onset_s - (2**32 if onset_s >= _NTP_ERA_ENDS_S else 0)
        bundle = OscBundleBuilder(tag_s)  # type: ignore[arg-type]
        for message in (act,) if isinstance(act, SendOsc) else act.messages:
            bundle.add_content(_message(message))
        return bytes(bundle.build().dgram)
    except (BuildError, OverflowError, UnicodeEncodeError, struct.error) as error:
        raise OscProblemError(f"the message cannot be built: {error}") from error


def _numbers_only(act: SendOsc) -> bytes | None:
    """The same bytes, quickly, where every argument is a number that fits; else None."""
    tags = ""
    for argument in act.arguments:
        if isinstance(argument, float):
            if not -_LARGEST_FLOAT <= argument <= _LARGEST_FLOAT:
                return None
            tags += "f"
        elif isinstance(argument, int) and not isinstance(argument, bool) and -(2**31) <= argument < 2**31:
            tags += "i"
        else:
            return None
    head, pack = _parts(act.address, tags)
    return head + pack(*act.arguments)


@lru_cache(maxsize=1024)
def _parts(address: str, tags: str) -> tuple[bytes, Callable[..., bytes]]:
    """A message's address and type tags, and what packs its numbers. Raises OscProblemError."""
    dgram: bytes = _message(SendOsc(address, tuple(0.0 if tag == "f" else 0 for tag in tags))).dgram
    return dgram[: len(dgram) - 4 * len(tags)], struct.Struct(f">{tags}").pack


def _message(act: SendOsc) -> Any:
    from pythonosc.osc_message_builder import OscMessageBuilder

    wrong = osc_address_problem(act.address)
    if wrong:
        raise OscProblemError(f"{act.address[:80]}: {wrong}")
    builder = OscMessageBuilder(address=act.address)
    for argument in act.arguments:
        if isinstance(argument, float) and not math.isfinite(argument):
            raise OscProblemError(f"{act.address}: an argument is not a finite number")
        if type(argument) is int and not -(2**31) <= argument < 2**31:
            raise OscProblemError(f"{act.address}: {argument} does not fit into an OSC integer of 32 bits")
        # OSC 1.0 knows ASCII only; UTF-8 beyond it is common practice and passes through receivers unharmed.
        if isinstance(argument, str) and "\0" in argument:
            raise OscProblemError(f"{act.address}: an OSC string must not hold a null character")
        builder.add_arg(argument)
    return builder.build()


class OscOutput:
    """Sends to one receiver. ``bundles``: give the onset's time tag with what events cause."""

    def __init__(
        self,
        name: str,
        host: str,
        port: int,
        *,
        protocol: str = "udp",
        per_second: float = OSC_PER_S,
        bundles: bool = True,
    ) -> None:
        self.name = name
        self.counts = OutputCounts()
        self.unreachable = 0  # messages that found nobody
        self._host, self._port, self._protocol = host, port, protocol
        self._limit = RateLimit(per_second)
        self._bundles = bundles
        self._udp: socket.socket | None = None
        self._tcp: asyncio.WriteTransport | None = None
        self._task: asyncio.Task[None] | None = None
        self._warned = False

    @property
    def _target(self) -> str:
        return f"{self._host}:{self._port} ({self._protocol})"

    @property
    def tasks(self) -> Sequence[asyncio.Task[None]]:
        return () if self._task is None else (self._task,)

    async def open(self) -> None:
        """Start. A receiver that is not there yet is no error; a port that cannot be is."""
        if not 1 <= self._port <= 65535:
            raise OutputError(f"{self._port} is no port; use 1 to 65535")
        connect = self._keep_udp if self._protocol == "udp" else self._keep_tcp
        first = asyncio.Event()
        self._task = asyncio.create_task(connect(first))
        with suppress(TimeoutError):
            await asyncio.wait_for(first.wait(), 1.0)

    async def _keep_udp(self, first: asyncio.Event) -> None:
        """Look the name up until it is known."""
        attempt = 0
        while True:
            try:
                found = await asyncio.get_running_loop().getaddrinfo(
                    self._host, self._port, type=socket.SOCK_DGRAM
                )
                # Receivers of OSC mostly listen on IPv4 alone, so `localhost` must not become ::1.
                found.sort(key=lambda each: each[0] != socket.AF_INET)
                family, kind, number, _, address = found[0]
                sock = socket.socket(family, kind, number)
                sock.setblocking(False)
                sock.connect(address)
            except OSError as error:
                self._miss(f"{self._target} cannot be found: {error}", 0)
            else:
                self._udp = sock
                first.set()
                return
            first.set()
            attempt += 1
            await asyncio.sleep(delay_s(attempt))

    async def _keep_tcp(self, first: asyncio.Event) -> None:
        """Connect, and again whenever the connection ends."""
        attempt = 0
        while True:
            if attempt:
                await asyncio.sleep(delay_s(attempt))
            try:
                reader, writer = await asyncio.wait_for(
                    asyncio.open_connection(self._host, self._port), _LOOK_UP_S
                )
            except (OSError, TimeoutError) as error:
                self._miss(f"{self._target} cannot be reached: {error or 'no answer'}", 0)
                first.set()
                attempt += 1
                continue
            attempt = 0
            self._tcp = writer.transport
            sock = writer.get_extra_info("socket")
            sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._reached()
            first.set()
            with suppress(OSError):
                while await reader.read(4096):  # replies are of no use; the end of the stream is
                    pass
            self._tcp = None
            writer.close()
            self._miss(f"{self._target} has closed the connection", 0)

    def send(self, action: Action) -> bool:
        act = action.act
        if not isinstance(act, (SendOsc, SendBundle)):
            return self._refuse(f"an OSC output cannot do this: {act.to_json()}")
        if not self._limit.admit(time.monotonic()):
            return self._refuse(f"more than {self._limit.per_second:g} messages a second")
        dated = self._bundles and isinstance(action.cause, Event)
        try:
            raw = datagram(act, time.time() - onset_ago_s(action) if dated else None)
        except OscProblemError as error:
            return self._refuse(str(error))
        sent = self._send_udp(raw) if self._protocol == "udp" else self._send_tcp(raw)
        if sent:
            self.counts.sent += 1
        else:
            self.counts.refused += 1
        return sent

    def _send_udp(self, raw: bytes) -> bool:
        if self._udp is None:
            return self._miss(f"{self._target} cannot be found", 1)
        # A refusal is news of an earlier datagram: count that one, and send this one all the same.
        for _ in range(2):
            try:
                self._udp.send(raw)
            except (ConnectionRefusedError, ConnectionResetError):  # the second is what Windows says
                self._miss(f"nobody listens at {self._target}", 1)
                continue
            except OSError as error:
                return self._miss(f"{self._target} cannot be reached: {error}", 1)
            return True
        return False

    def _send_tcp(self, raw: bytes) -> bool:
        from pythonosc import slip

        if self._tcp is None or self._tcp.is_closing():
            return self._miss(f"{self._target} is not connected", 1)
        if self._tcp.get_write_buffer_size() > _MOST_WAITING:
            self.counts.problem = f"{self._target} takes its messages too slowly"
            self.counts.dropped += 1
            return False
        self._tcp.write(slip.encode(raw))
        return True

    def _miss(self, why: str, messages: int) -> bool:
        self.unreachable += messages
        self.counts.problem = why
        # The first failure is worth a warning, the rest are counted.
        log.log(logging.DEBUG if self._warned else logging.WARNING, "%s: %s", self.name, why)
        self._warned = True
        return False

    def _reached(self) -> None:
        self.counts.problem = ""
        if self._warned:
            log.info("%s: %s is there", self.name, self._target)
        self._warned = False

    def _refuse(self, why: str) -> bool:
        self.counts.refused += 1
        self.counts.problem = why
        log.debug("%s: refused, because %s", self.name, why)
        return False

    def release(self) -> None:
        """Nothing is ever held here."""

    async def close(self) -> None:
        if self._task is not None:
            self._task.cancel()
            await asyncio.gather(self._task, return_exceptions=True)
            self._task = None
        if self._udp is not None:
            self._udp.close()
            self._udp = None
        if self._tcp is not None:
            self._tcp.close()
            self._tcp = None

"""The MQTT output: CloudEvents or a rule's own payloads, a retained status, a broker that comes and goes."""

from __future__ import annotations

import asyncio
import hashlib
import logging
import secrets
import time
import uuid
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Literal

from bridge.host_clock import now_s
from bridge.outputs import cloudevents
from bridge.outputs.backoff import delay_s
from bridge.outputs.limits import MQTT_PER_S, RateLimit
from bridge.outputs.mqtt_link import Broker, Ended, Link, Version
from bridge.outputs.outbox import LONGEST_AGE_S, Message, Outbox
from bridge.outputs.protocol import OutputCounts, OutputError
from bridge.rules.actions import Action, Publish
from bridge.rules.addresses import topic_problem
from bridge.rules.hosts import is_loopback
from bridge.signals.types import Event, Level
from bridge.trust.login import Login, LoginError, client_context

log = logging.getLogger("bridge.mqtt")

DEFAULT_BASE = "biosignal-bridge"
LARGEST_PAYLOAD = 65_536  # bytes; far more than any event has, far less than what could flood a broker
_FIRST_S = 1.0  # how long `open` waits for a broker that is there
_LASTED_S = 1.0  # a connection that ended sooner was none: the wait before the next one grows
_LAST_S = 1.0  # how long `close` waits for the last message

Status = Literal["online", "paused", "offline"]


class MqttOutput:
    """Publishes to one broker. ``longest_age_s`` bounds how late an event may arrive."""

    def __init__(
        self,
        name: str,
        broker: Broker,
        *,
        source: str,
        per_second: float = MQTT_PER_S,
        longest_age_s: float = LONGEST_AGE_S,
        version: Version | None = None,
    ) -> None:
        self.name = name
        self.counts = OutputCounts()
        self.resent = 0  # unconfirmed when a connection ended, sent again
        self.connections = 0
        self._broker = broker
        self._source = source
        self._limit = RateLimit(per_second)
        self._outbox = Outbox(longest_age_s)
        self._version: Version = version or "5"
        self._may_change_version = version is None
        self._status: Status = "online"
        self._link: Link | None = None
        self._task: asyncio.Task[None] | None = None
        self._first = asyncio.Event()
        self._told_dropped = 0
        self._warned = ""
        self._flapping = False

    @property
    def connected(self) -> bool:
        return self._link is not None and self._link.ready

    @property
    def waiting(self) -> int:
        """Messages in the outbox."""
        return len(self._outbox)

    @property
    def tasks(self) -> Sequence[asyncio.Task[None]]:
        return () if self._task is None else (self._task,)

    async def open(self) -> None:
        """Start connecting; a broker that is away is no error."""
        self._first.clear()
        self._task = asyncio.create_task(self._keep_connected())
        with suppress(TimeoutError):
            await asyncio.wait_for(self._first.wait(), _FIRST_S)

    async def _keep_connected(self) -> None:
        attempt = 0
        while True:
            self._link = Link(
                self._broker,
                self._version,
                self._outbox.longest_age_s,
                on_ready=self._ready,
                on_room=self._drain,
            )
            try:
                ended = await asyncio.shield(self._link.ended)
            finally:
                # Also on the way out, where `close` has already said goodbye.
                link, self._link = self._link, None
                link.drop()
            self._first.set()
            self._take_back(ended.unconfirmed)
            if self._status == "offline":  # `close` said goodbye
                return
            self._tell(ended)
            attempt = 1 if ended.lasted_s >= _LASTED_S else attempt + 1
            self._flapping = ended.how == "lost" and attempt > 1
            if self._may_change_version and ended.how in ("unanswered", "version"):
                # Perhaps the broker knows the older version only.
                self._version = "3.1.1" if self._version == "5" else "5"
            await asyncio.sleep(delay_s(attempt))

    def _tell(self, ended: Ended) -> None:
        where = f"{self._broker.host}:{self._broker.port}"
        self.counts.problem = f"broker {where}: {ended.why}"
        log.log(
            logging.DEBUG if ended.why == self._warned else logging.WARNING,
            "%s: broker %s: %s; trying again",
            self.name,
            where,
            ended.why,
        )
        self._warned = ended.why

    def _ready(self) -> None:
        self.connections += 1
        self.counts.problem = ""
        if not self._flapping:
            self._warned = ""
        log.log(
            logging.DEBUG if self._flapping else logging.INFO,
            "%s: connected to %s:%d (MQTT %s), status on %s",
            self.name,
            self._broker.host,
            self._broker.port,
            self._version,
            self._broker.status_topic,
        )
        self._publish_status()
        self._drain()
        if self.counts.dropped > self._told_dropped:
            count = self.counts.dropped - self._told_dropped
            log.warning("%s: %d messages were dropped while the broker was away", self.name, count)
            self._told_dropped = self.counts.dropped
        self._first.set()

    def _take_back(self, unconfirmed: tuple[Message, ...]) -> None:
        """What a broken connection left unconfirmed: at QoS 1 it goes again, marked, unless it is too old."""
        at_s = now_s()
        for message in reversed(unconfirmed):
            if message.topic == self._broker.status_topic:
                continue
            if message.qos != 1 or self._outbox.is_stale(message, at_s):
                # At QoS 0 and 2 it must not arrive twice, and nobody can say whether it arrived.
                self.counts.dropped += 1
                continue
            event = None if message.event is None else {**message.event, "resent": True}
            payload = message.payload if event is None else cloudevents.encode(event).encode()
            self._outbox.push_back(replace(message, payload=payload, event=event))
            self.resent += 1
        self._count_dropped()

    def send(self, action: Action) -> bool:
        act = action.act
        if not isinstance(act, Publish):
            return self._refuse(f"an MQTT output cannot do this: {act.to_json()}")
        topic = self._topic_for(action.cause) if act.topic is None else act.topic
        wrong = topic_problem(topic)
        if wrong:
            return self._refuse(wrong)
        if not action.safe and not self._limit.admit(time.monotonic()):
            return self._refuse(f"more than {self._limit.per_second:g} messages a second")
        message = self._message(action, act, topic)
        if len(message.payload) > LARGEST_PAYLOAD:
            return self._refuse(f"the payload has {len(message.payload)} bytes, more than {LARGEST_PAYLOAD}")
        self._outbox.push(message, message.at_s)
        self._drain()
        return True

    def _topic_for(self, cause: Event | Level | None) -> str:
        """Where a rule names no topic: below this daemon's own, by what caused it."""
        if isinstance(cause, Event):
            return f"{self._broker.base}/events/{cause.kind}"
        return (
            f"{self._broker.base}/levels/{cause.kind}" if cause is not None else f"{self._broker.base}/rules"
        )

    def _message(self, action: Action, act: Publish, topic: str) -> Message:
        event = None
        if act.payload is None:
            event = cloudevents.cloud_event(
                action, id_=str(uuid.uuid4()), source=self._source, now_s=time.time()
            )
        payload = cloudevents.encode(event) if event is not None else act.payload or ""
        # An event is over when it is told; retained, it would happen again for every new subscriber.
        retain = act.retain and event is None and not isinstance(action.cause, Event)
        raw = payload.encode("utf-8", "replace")
        return Message(topic, raw, act.qos, retain, now_s(), event)

    def _drain(self) -> None:
        """Send what waits while the connection takes it."""
        at_s = now_s()
        while self._link is not None and self._link.has_room:
            message = self._outbox.pop(at_s)
            if message is None:
                break
            if not self._link.publish(message):
                self._outbox.push_back(message)
                break
            self.counts.sent += 1
        self._outbox.expire(at_s)
        self._count_dropped()

    def _count_dropped(self) -> None:
        self.counts.dropped += self._outbox.dropped
        self._outbox.dropped = 0

    def _refuse(self, why: str) -> bool:
        self.counts.refused += 1
        if why != self.counts.problem:
            log.warning("%s: refused, because %s", self.name, why)
        self.counts.problem = why
        return False

    def announce(self, state: str) -> None:
        """Publish the daemon's state: ``paused``, or ``online`` for whatever else it is."""
        self._status = "paused" if state == "paused" else "online"
        self._publish_status()

    def _publish_status(self) -> None:
        if self._link is not None and self._link.ready:
            status = Message(
                self._broker.status_topic, self._status.encode(), qos=1, retain=True, at_s=now_s()
            )
            self._link.publish(status)

    def release(self) -> None:
        """Nothing is ever held here."""

    async def close(self) -> None:
        """Publish `offline`, let the last messages go, and say goodbye."""
        if self._task is None:
            return
        link = self._link
        if link is not None and link.ready:
            self._drain()
            self._status = "offline"
            self._publish_status()
            until_s = time.monotonic() + _LAST_S
            while link.ready and link.unconfirmed and time.monotonic() < until_s:
                await asyncio.sleep(0.005)
            link.close()
            with suppress(TimeoutError):
                await asyncio.wait_for(asyncio.shield(link.ended), _LAST_S)
        self._task.cancel()
        await asyncio.gather(self._task, return_exceptions=True)
        self._task = None
        self._status = "online"


def make_broker(
    host: str,
    port: int,
    *,
    tls: bool = False,
    login: Login | None = None,
    client_id: str | None = None,
    base: str | None = None,
) -> Broker:
    """Where and as whom. Raises OutputError where the login's certificates cannot be used."""
    password = None if login is None else login.password
    if password is not None and not tls and not is_loopback(host):
        log.warning("the password for broker %s goes over the network unencrypted", host)
    context = None
    if tls:
        try:
            context = client_context() if login is None else login.client_context()
        except LoginError as error:
            raise OutputError(str(error)) from error
    return Broker(
        host,
        port,
        # A broker throws out the older of two clients of one name; names of up to 23 bytes suit every broker.
        client_id or f"biosignal-{secrets.token_hex(6)}",
        base or DEFAULT_BASE,
        context,
        None if login is None else login.username,
        password,
    )


def daemon_id(output: str, file: Path | None) -> str:
    """Eight hexadecimal digits that this output of this rule file on this machine has, and no other.

    The same at each start, so that the retained status is replaced. Made from the machine's identifier
    (machine-id(5)), which it does not tell, else from its network address.
    """
    machine = ""
    for place in ("/etc/machine-id", "/var/lib/dbus/machine-id"):
        with suppress(OSError):
            machine = machine or Path(place).read_text(encoding="ascii", errors="replace").strip()
    where = "" if file is None else str(file.resolve())
    text = "\0".join((machine or f"{uuid.getnode():x}", where, output))
    return hashlib.sha256(text.encode("utf-8", "replace")).hexdigest()[:8]

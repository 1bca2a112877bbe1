"""One connection to a broker, from connecting to its end. Nothing is kept from one to the next.

The library's network thread calls back; everything is handed to the event loop at once, so the rest of the
program knows one thread only. Its own reconnecting is left off: it would replay old messages of any age.
"""

from __future__ import annotations

import asyncio
import ssl
import threading
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any, Literal

from bridge.outputs.outbox import Message

if TYPE_CHECKING:
    from paho.mqtt.client import Client

Version = Literal["3.1.1", "5"]
How = Literal["unreachable", "certificate", "unanswered", "refused", "version", "lost"]

_CONNECT_S = 5.0
_KEEPALIVE_S = 10
_MOST_UNCONFIRMED = 200
_UNSUPPORTED_VERSION = 132
# We subscribe to nothing, so a broker has only short answers for us (MQTT 5.0, 3.2, 3.4 to 3.6, 3.14).
LARGEST_INCOMING = 16_384  # bytes
_CHUNK = 512  # bytes that are asked for at once, so that a claim alone costs nothing


@dataclass(frozen=True, slots=True)
class Broker:
    """Where and as whom. ``base``: what this daemon's own topics begin with. ``tls`` None: not encrypted."""

    host: str
    port: int
    client_id: str
    base: str
    tls: ssl.SSLContext | None = None
    username: str | None = None
    password: str | None = None

    @property
    def status_topic(self) -> str:
        return f"{self.base}/status"


@dataclass(frozen=True, slots=True)
class Ended:
    """How and why a connection ended, what was handed over but never confirmed, and how long it was up."""

    how: How
    why: str
    unconfirmed: tuple[Message, ...]
    lasted_s: float = 0.0


class Link:
    """Connects at once. ``on_ready`` and ``on_room`` are called on the event loop; ``ended`` is awaited."""

    def __init__(
        self,
        broker: Broker,
        version: Version,
        longest_age_s: float,
        *,
        on_ready: Callable[[], None],
        on_room: Callable[[], None],
    ) -> None:
        self._broker = broker
        self._version = version
        self._longest_age_s = longest_age_s
        self._on_ready, self._on_room = on_ready, on_room
        self._loop = asyncio.get_running_loop()
        self.ended: asyncio.Future[Ended] = self._loop.create_future()
        self.ready = False
        self._accepted = False
        self._ready_s: float | None = None
        self._unconfirmed: dict[int, Message] = {}
        self._client = self._make_client()
        threading.Thread(target=self._connect, name="mqtt-connect", daemon=True).start()

    def _make_client(self) -> Client:
        from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

        five = self._version == "5"
        client = _guarded_client()(
            CallbackAPIVersion.VERSION2,
            client_id=self._broker.client_id,
            protocol=MQTTProtocolVersion.MQTTv5 if five else MQTTProtocolVersion.MQTTv311,
            clean_session=None if five else True,
            reconnect_on_failure=False,
        )
        client.connect_timeout = _CONNECT_S
        client.max_inflight_messages_set(_MOST_UNCONFIRMED)
        if self._broker.username is not None or self._broker.password is not None:
            client.username_pw_set(self._broker.username or "", self._broker.password)
        if self._broker.tls is not None:
            client.tls_set_context(self._broker.tls)
        client.will_set(self._broker.status_topic, "offline", qos=1, retain=True)
        client.on_connect = self._connected
        client.on_disconnect = self._disconnected
        client.on_publish = self._published
        return client

    def _connect(self) -> None:
        """In a thread of its own: names and handshakes take their time."""
        try:
            self._client.connect(
                self._broker.host, self._broker.port, _KEEPALIVE_S, properties=self._greeting()
            )
            self._client.loop_start()  # takes two descriptors of its own
        except ssl.SSLCertVerificationError as error:
            self._post(
                self._end, f"the broker's certificate is not accepted: {error.verify_message}", "certificate"
            )
        except ConnectionResetError as error:
            hint = "; does it speak TLS on this port?" if self._broker.tls is not None else ""
            self._post(self._end, f"no connection: {error}{hint}", "unreachable")
        except (OSError, ValueError) as error:
            self._post(self._end, f"no connection: {error}", "unreachable")

    def _greeting(self) -> Any:
        if self._version != "5":
            return None
        from paho.mqtt.packettypes import PacketTypes
        from paho.mqtt.properties import Properties

        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.MaximumPacketSize = LARGEST_INCOMING  # MQTT 5.0, 3.1.2.11.4
        return properties

    def _post(self, call: Callable[..., None], *arguments: Any) -> None:
        with suppress(RuntimeError):  # the event loop has ended; so has the interest
            self._loop.call_soon_threadsafe(call, *arguments)

    def _connected(self, _client: Any, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        if reason.is_failure:
            # MQTT 5.0, 3.2.2.2: 132 is "Unsupported Protocol Version", which the library uses for 3.1.1 too.
            how = "version" if reason.value == _UNSUPPORTED_VERSION else "refused"
            self._post(self._end, f"the broker refuses: {reason}", how)
        else:
            self._post(self._become_ready)

    def _disconnected(self, _client: Any, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        claimed = getattr(self._client, "claimed", 0)
        why = f"it claims a packet of {claimed} bytes" if claimed else f"the connection ended: {reason}"
        self._post(self._end, why, "lost")

    def _published(self, _client: Any, _data: Any, mid: int, _reason: Any, _properties: Any) -> None:
        self._post(self._confirm, mid)

    def _become_ready(self) -> None:
        self.ready = self._accepted = True
        self._ready_s = self._loop.time()
        self._on_ready()

    def _confirm(self, mid: int) -> None:
        if self._unconfirmed.pop(mid, None) is not None and self.ready:
            self._on_room()

    def _end(self, why: str, how: How) -> None:
        self.ready = False
        if how == "lost" and not self._accepted:
            how = "unanswered"
        if not self.ended.done():
            lasted_s = 0.0 if self._ready_s is None else self._loop.time() - self._ready_s
            self.ended.set_result(Ended(how, why, tuple(self._unconfirmed.values()), lasted_s))

    @property
    def has_room(self) -> bool:
        """May another message go? Not while the broker is slow to take those that went."""
        return self.ready and len(self._unconfirmed) < _MOST_UNCONFIRMED

    @property
    def unconfirmed(self) -> int:
        return len(self._unconfirmed)

    def publish(self, message: Message) -> bool:
        """Hand over to the network thread; False when the connection is no more."""
        properties = self._properties(message) if self._version == "5" else None
        # Only valid messages come here, so a ValueError would be a mistake of ours.
        info = self._client.publish(message.topic, message.payload, message.qos, message.retain, properties)
        if info.rc != 0:
            return False
        self._unconfirmed[info.mid] = message
        return True

    def _properties(self, message: Message) -> Any:
        from paho.mqtt.packettypes import PacketTypes
        from paho.mqtt.properties import Properties

        from bridge.outputs.cloudevents import CONTENT_TYPE

        properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        if not message.retain:  # MQTT 5.0, 3.3.2.3.3: the broker forgets it for late subscribers
            properties.MessageExpiryInterval = max(1, round(self._longest_age_s))
        if message.event is not None:
            properties.ContentType = CONTENT_TYPE
        return properties

    def close(self) -> None:
        """Say goodbye, so that the broker does not send the will; what was handed over goes first."""
        self._client.disconnect()

    def drop(self) -> None:
        """Forget a connection that has ended, without waiting for its thread."""
        client = self._client
        client.on_connect = client.on_disconnect = client.on_publish = None
        client.disconnect()


@cache
def _guarded_client() -> type[Client]:
    """The library's client, which would ask the system for as many bytes as a broker says will come.

    The library has no limit of its own for what comes in. ``claimed`` is the length that was too much.
    """
    from paho.mqtt.client import Client

    class Guarded(Client):
        claimed = 0

        def _sock_recv(self, bufsize: int) -> bytes:
            if bufsize > LARGEST_INCOMING:
                self.claimed = bufsize
                raise ConnectionAbortedError(f"a packet of {bufsize} bytes is refused")
            return super()._sock_recv(min(bufsize, _CHUNK))

    return Guarded

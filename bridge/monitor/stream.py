"""The local stream for other pages and programs: what happens, as it happens, one way.

``GET /events`` answers with server-sent events (WHATWG HTML, 9.2), or with a WebSocket (RFC 6455) where the
request asks for one. Each carries the JSON objects of ``outputs/records.py``; ``?format=cloudevents`` makes
each a CloudEvent 1.0, ``?only=event,level`` leaves the other types out. A listener that does not keep up
loses the oldest, is told how many, and never holds up the daemon. Whoever has the token may read from any
page: nothing here can be steered, and no cookie is involved.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import secrets
import time
from collections import deque
from collections.abc import Awaitable, Callable, Sequence
from typing import Any

from aiohttp import WSCloseCode, WSMsgType, web

from bridge.monitor.feed import Feed
from bridge.outputs import cloudevents, records
from bridge.rules.actions import Action
from bridge.signals.types import Detection, Event

VERSION = 1
_FORMATS = ("plain", "cloudevents")
_MOST_WAITING = 2000  # records that a listener may be behind
_SIGNAL_EVERY_S = 0.25
_ALIVE_EVERY_S = 15.0  # a comment, so that a connection nobody reads any more is noticed
_HEARTBEAT_S = 20.0
_GOODBYE_S = 0.5
_HEADERS = {"Access-Control-Allow-Origin": "*", "Cross-Origin-Resource-Policy": "cross-origin"}

_Send = Callable[[str], Awaitable[None]]


class _Listener:
    """One connection; ``only`` are the types it wants."""

    def __init__(self, only: frozenset[str], cloud: bool) -> None:
        self.only = only
        self.cloud = cloud
        self.woken = asyncio.Event()
        self.leaving = False
        self.signal: dict[tuple[str, str], tuple[str, str]] = {}
        self._waiting: deque[str] = deque()
        self._lost = 0

    def put(self, text: str) -> None:
        if len(self._waiting) >= _MOST_WAITING:
            self._waiting.popleft()
            self._lost += 1
        self._waiting.append(text)
        self.woken.set()

    def take(self) -> list[str]:
        """What waits; first how many were lost before it, where any were."""
        taken = [*self._waiting]
        self._waiting.clear()
        if self._lost and not self.cloud:
            taken.insert(0, json.dumps({"type": "lost", "count": self._lost}))
        self._lost = 0
        return taken


class EventStream:
    """``may_more`` says whether one more connection is let in."""

    def __init__(self, feed: Feed, may_more: Callable[[], bool]) -> None:
        self._feed = feed
        self._may_more = may_more
        self._listeners: set[_Listener] = set()
        self._source = f"biosignal-bridge/{secrets.token_hex(4)}"
        self._number = 0

    def __len__(self) -> int:
        return len(self._listeners)

    def outcome(self, detections: Sequence[Detection], actions: Sequence[tuple[Action, str]]) -> None:
        """What one block led to, for all who listen."""
        if not self._listeners:
            return
        for record, made_of in records.of_outcome(detections, actions):
            wanting = [one for one in self._listeners if record["type"] in one.only]
            self._give(record, wanting, made_of)

    async def leave(self) -> None:
        """The daemon ends: everybody is told, and those who do not read are not waited for."""
        for listener in self._listeners:
            listener.leaving = True
            listener.woken.set()
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(_GOODBYE_S):
                while self._listeners:
                    await asyncio.sleep(0.01)

    async def handle(self, request: web.Request) -> web.StreamResponse:
        """Serve one listener until it goes; the token was looked at before."""
        only = frozenset(filter(None, request.query.get("only", ",".join(records.TYPES)).split(",")))
        form = request.query.get("format", "plain")
        if form not in _FORMATS or not only <= set(records.TYPES) or not only:
            return web.Response(
                status=400,
                text=f"`only` takes {', '.join(records.TYPES)}, with commas between; "
                f"`format` takes {' or '.join(_FORMATS)}\n",
            )
        if not self._may_more():
            return web.Response(status=503, text="Too many pages are open.\n")
        listener = _Listener(only, form == "cloudevents")
        self._listeners.add(listener)
        try:
            if request.headers.get("Upgrade", "").lower() == "websocket":
                return await self._by_socket(request, listener)
            return await self._by_server_sent_events(request, listener)
        finally:
            self._listeners.discard(listener)

    async def _by_server_sent_events(self, request: web.Request, listener: _Listener) -> web.StreamResponse:
        response = web.StreamResponse(
            headers={
                "Content-Type": "text/event-stream",
                "Cache-Control": "no-store",
                "X-Content-Type-Options": "nosniff",
                **_HEADERS,
            }
        )
        await response.prepare(request)

        async def send(text: str) -> None:
            await response.write(f"data: {text}\n\n".encode() if text else b":\n\n")

        with contextlib.suppress(ConnectionError):
            await self._serve(listener, send)
        return response

    async def _by_socket(self, request: web.Request, listener: _Listener) -> web.StreamResponse:
        socket = web.WebSocketResponse(heartbeat=_HEARTBEAT_S, max_msg_size=1024, compress=False, timeout=2)
        await socket.prepare(request)

        async def send(text: str) -> None:
            if text:
                await socket.send_str(text)

        sender = asyncio.ensure_future(self._serve(listener, send))
        reader = asyncio.ensure_future(_read_to_the_end(socket))
        try:
            await asyncio.wait({sender, reader}, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for task in (sender, reader):
                task.cancel()
            await asyncio.gather(sender, reader, return_exceptions=True)
        with contextlib.suppress(TimeoutError, ConnectionError, RuntimeError):
            async with asyncio.timeout(_GOODBYE_S):
                await socket.close(code=WSCloseCode.GOING_AWAY, message=b"ended")
        return socket

    async def _serve(self, listener: _Listener, send: _Send) -> None:
        if not listener.cloud:
            await send(json.dumps(self._hello(), ensure_ascii=False))
        quiet_s = 0.0
        while not listener.leaving:
            self._tell_signal(listener)
            for text in listener.take():
                await send(text)
                quiet_s = 0.0
            if quiet_s >= _ALIVE_EVERY_S:
                quiet_s = 0.0
                await send("")
            listener.woken.clear()
            try:
                await asyncio.wait_for(listener.woken.wait(), _SIGNAL_EVERY_S)
            except TimeoutError:
                quiet_s += _SIGNAL_EVERY_S

    def _hello(self) -> dict[str, Any]:
        streams = zip(self._feed.names, self._feed.histories, strict=True)
        told = [records.of_stream(name, history.info) for name, history in streams]
        return {"type": "hello", "version": VERSION, "streams": told}

    def _tell_signal(self, listener: _Listener) -> None:
        """Each channel's verdict at first, and whenever it has changed."""
        if "signal" not in listener.only:
            return
        for stream, chain in zip(self._feed.names, self._feed.chains, strict=True):
            for record in records.turned(stream, chain, listener.signal):
                self._give(record, [listener], None)

    def _give(
        self, record: dict[str, Any], listeners: Sequence[_Listener], made_of: Detection | Action | None
    ) -> None:
        """One record to these, encoded once for each form that any of them takes."""
        for cloud in {listener.cloud for listener in listeners}:
            text = self._cloud(record, made_of) if cloud else _encoded(record)
            for listener in listeners:
                if listener.cloud is cloud:
                    listener.put(text)

    def _cloud(self, record: dict[str, Any], made_of: Detection | Action | None) -> str:
        self._number += 1
        data = {key: value for key, value in record.items() if key != "type"}
        type_ = record["type"]
        ago_s = 0.0
        if type_ in ("event", "level"):
            type_ = str(record["kind"])
        if isinstance(made_of, Event):
            type_ = f"{type_}.{made_of.edge}"
            ago_s = max(0.0, made_of.decided - made_of.onset)
        made = cloudevents.envelope(
            type_,
            data,
            id_=str(self._number),
            source=self._source,
            began_s=time.time() - ago_s,
            subject=str(record.get("channel", "")),
            rule=str(record.get("rule", "")),
        )
        return cloudevents.encode(made)


def _encoded(record: dict[str, Any]) -> str:
    return json.dumps(cloudevents.finite(record), ensure_ascii=False, allow_nan=False)


async def _read_to_the_end(socket: web.WebSocketResponse) -> None:
    """Nothing is taken from a listener; this tells when it has gone."""
    async for message in socket:
        if message.type is WSMsgType.BINARY:
            return

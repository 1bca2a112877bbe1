"""The page's server: loopback only, on the daemon's event loop, and never in its way.

Pages are woken one after the other, each in its own turn of the loop, so a block that arrives waits for
at most one page's frame.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
import secrets
from collections.abc import Awaitable, Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import Any

from aiohttp import WSCloseCode, WSMsgType, web
from aiohttp.http_exceptions import HttpProcessingError

from bridge.monitor import bench, messages, page_files
from bridge.monitor.access import Access, Role, check_loopback
from bridge.monitor.bench import TuningBench
from bridge.monitor.client import Client
from bridge.monitor.feed import Feed
from bridge.monitor.lent import Service
from bridge.monitor.stream import EventStream
from bridge.outputs.standing import Standing
from bridge.rules.actions import Action
from bridge.signals.types import Block, Detection, StreamInfo
from bridge.trust.guesses import Guesses
from bridge.trust.listener import PATIENCE_S, Listener, bind_tcp

log = logging.getLogger("bridge.monitor")

_TICK_S = 1 / 30
_IDLE_TICK_S = 1.0
_NOW_EVERY_S = 0.25
_HEALTH_EVERY_S = 1.0
_MOST_PAGES = 100
_HEARTBEAT_S = 20.0  # a page that does not answer a ping by half of this is closed

_NOT_LET_IN = "Open the link that the program printed when it started: it holds the token this page needs."
_WRONG_TOKEN = 4401  # a closing code of our own (RFC 6455, 7.4.2), after HTTP's 401

_Handler = Callable[[web.Request], Awaitable[web.StreamResponse]]


class Monitor:
    """A tap of the daemon with a page. ``port`` 0: any free one.

    Raises ValueError for a host that is not loopback.
    """

    def __init__(self, service: Service, *, host: str = "127.0.0.1", port: int = 0) -> None:
        check_loopback(host)
        self._service = service
        self._host = host
        self._wanted_port = port
        self._access = Access()
        self._feed = Feed(service)
        self._boot = secrets.token_hex(8)
        self._clients: set[Client] = set()
        self._stream = EventStream(self._feed, self._may_more)
        self._frames: dict[tuple[int, int, int], bytes] = {}
        self._now = ""
        self._now_state: Standing | None = None
        self._now_due_s = 0.0
        self._health_due_s = 0.0
        self._attention = asyncio.Event()
        self._runner: web.AppRunner | None = None
        self._listener: Listener | None = None
        self._guesses = Guesses()
        self._ticker: asyncio.Task[None] | None = None
        self._threads = ThreadPoolExecutor(max_workers=1, thread_name_prefix="monitor-trial")
        self._files: dict[str, tuple[bytes, str]] = {}
        self.port = 0

    # The tap

    def opened(self, infos: Mapping[str, StreamInfo]) -> None:
        self._feed.open(infos)

    def block(self, stream: str, block: Block) -> None:
        self._feed.block(stream, block)

    def outcome(self, detections: Sequence[Detection], actions: Sequence[tuple[Action, Any]]) -> None:
        self._feed.outcome(detections, actions)
        self._stream.outcome(detections, actions)

    def closed(self) -> None:
        self._feed.ended = True
        self._now_due_s = 0.0

    # Life

    async def start(self) -> str:
        """Listen; returns the link with the token that may steer. Raises OSError when the port is taken."""
        self._files = page_files.load()
        app = web.Application(middlewares=[self._guard], client_max_size=1024)
        app.router.add_get("/", self._page)
        app.router.add_get("/status", self._status)
        app.router.add_get("/metrics", self._metrics)
        app.router.add_get("/live", self._live)
        app.router.add_get("/events", self._stream.handle)
        app.router.add_get("/{name}", self._file)
        self._runner = web.AppRunner(
            app, access_log=None, logger=_http_log(), handle_signals=False, shutdown_timeout=1
        )
        sockets = bind_tcp(self._host, self._wanted_port)
        await self._runner.setup()
        assert self._runner.server is not None
        self._listener = Listener("the page", sockets, self._runner.server)
        self.port = sockets[0].getsockname()[1]
        self._access.listen_on(self._host, self.port)
        self._ticker = asyncio.ensure_future(self._tick())
        return self._access.link(Role.CONTROL)

    @property
    def read_only_link(self) -> str:
        """A link that shows everything and steers nothing."""
        return self._access.link(Role.WATCH)

    @property
    def events_link(self) -> str:
        """Where programs and other pages read what happens; it steers nothing. Empty before ``start``."""
        return self._access.link(Role.WATCH, "events") if self.port else ""

    @property
    def tasks(self) -> Sequence[asyncio.Future[None]]:
        """What it does in the background while it listens."""
        return () if self._ticker is None else (self._ticker,)

    async def stop(self) -> None:
        """Tell the pages and stop listening. May be called twice."""
        if self._ticker is not None:
            self._ticker.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await self._ticker
            self._ticker = None
        for client in self._clients:
            client.leaving.set()
        if self._clients:
            await asyncio.sleep(0)
        await self._stream.leave()
        if self._listener is not None:
            await self._listener.close()
            self._listener = None
        if self._runner is not None:
            await self._runner.cleanup()
            self._runner = None
        self._threads.shutdown(wait=False, cancel_futures=True)

    async def _tick(self) -> None:
        while True:
            watched = [client for client in self._clients if client.wants]
            try:
                self._feed.settle()
                if watched:
                    self._refresh_now()
            except Exception:
                # The page may fail; the daemon goes on.
                log.exception("the monitor missed a moment")
            self._frames.clear()
            for client in watched:
                client.woken.set()
                await asyncio.sleep(0)
            if watched:
                await asyncio.sleep(_TICK_S)
            else:
                self._attention.clear()
                with contextlib.suppress(TimeoutError):
                    await asyncio.wait_for(self._attention.wait(), _IDLE_TICK_S)

    def _refresh_now(self) -> None:
        time_s = asyncio.get_running_loop().time()
        state = self._service.standing()
        if time_s >= self._now_due_s or state != self._now_state:
            self._now_due_s = time_s + _NOW_EVERY_S
            self._now_state = state
            self._feed.rules()
            if time_s >= self._health_due_s:
                self._health_due_s = time_s + _HEALTH_EVERY_S
                self._feed.ask_health()
            self._now = json.dumps(self._feed.now(), ensure_ascii=False)

    def _frame(self, place: int, first: int, end: int) -> bytes:
        key = (place, first, end)
        if key not in self._frames:
            self._frames[key] = self._feed.frame(place, first, end)
        return self._frames[key]

    # Requests

    @web.middleware
    async def _guard(self, request: web.Request, handler: _Handler) -> web.StreamResponse:
        """Every request: the right host, a right token or none, and safe headers on whatever is answered."""
        response: web.StreamResponse
        token = self._access.given_token(request)
        known = self._access.role(token) is not None
        if known:
            self._know(request)
        elif token is not None:
            await self._slow_down(request)
        if not self._access.host_allowed(request):
            response = _refusal(403, "This address is not served here.")
        elif not known and (token is not None or not self._tells_nothing(request)):
            response = _refusal(401, _NOT_LET_IN)
        else:
            try:
                response = await handler(request)
            except web.HTTPException as error:
                response = _refusal(error.status, error.reason)
        if response.status == 401:
            response.headers["WWW-Authenticate"] = "Bearer"  # RFC 9110, 11.6.1, and RFC 6750
        if not response.prepared:
            self._access.protect(response)
        return response

    def _may_more(self) -> bool:
        return len(self._clients) + len(self._stream) < _MOST_PAGES

    def _tells_nothing(self, request: web.Request) -> bool:
        """The page's own text, the same on every computer; its WebSocket asks for the token itself."""
        return request.path in ("/", "/live") or request.match_info.get("name") in self._files

    def _know(self, request: web.Request) -> None:
        if self._listener is not None:
            self._listener.know(request.transport)

    async def _slow_down(self, request: web.Request) -> None:
        """A wrong token waits for its answer, ever longer; a right one never does."""
        address = request.remote or ""
        await asyncio.sleep(self._guesses.wrong(address, asyncio.get_running_loop().time()))
        log.warning("the page: a wrong token from %s", address)

    async def _page(self, request: web.Request) -> web.Response:
        """The page holds nothing but its own text: after a reload it brings the token by itself."""
        body, media = self._files["index.html"]
        status = 401 if self._access.given_token(request) is None else 200
        return web.Response(status=status, body=body, content_type=media, charset="utf-8")

    async def _file(self, request: web.Request) -> web.Response:
        found = self._files.get(request.match_info["name"])
        if found is None:
            raise web.HTTPNotFound
        return web.Response(body=found[0], content_type=found[1], charset="utf-8")

    async def _status(self, request: web.Request) -> web.Response:
        return web.json_response(self._feed.status())

    async def _metrics(self, request: web.Request) -> web.Response:
        if self._service.metrics is None:
            raise web.HTTPNotFound
        body, media = self._service.metrics()
        return web.Response(body=body, headers={"Content-Type": media})

    async def _live(self, request: web.Request) -> web.StreamResponse:
        if not self._access.origin_allowed(request):
            return _refusal(403, "This page may not connect here.")
        if not self._may_more():
            return _refusal(503, "Too many pages are open.")
        socket = web.WebSocketResponse(
            heartbeat=_HEARTBEAT_S, max_msg_size=messages.MOST_BYTES, compress=False, timeout=2
        )
        await socket.prepare(request)
        greeting = await self._greeting(socket)
        role = None if greeting is None else self._access.role(greeting.token)
        if greeting is None or role is None:
            if greeting is not None:
                await self._slow_down(request)
            await socket.close(code=_WRONG_TOKEN, message=b"no token")
            return socket
        self._know(request)
        client = Client(socket, role, self._feed, self._boot)
        self._clients.add(client)
        self._obey(client, greeting)
        sender = asyncio.ensure_future(client.serve(self._frame, lambda: self._now))
        listener = asyncio.ensure_future(self._listen(socket, client, sender))
        leaving = asyncio.ensure_future(client.leaving.wait())
        try:
            await asyncio.wait({listener, leaving}, return_when=asyncio.FIRST_COMPLETED)
            if leaving.done():
                listener.cancel()
                await asyncio.gather(listener, return_exceptions=True)
                await client.say_goodbye()
            else:
                listener.result()
        finally:
            self._clients.discard(client)
            for task in (listener, leaving):
                task.cancel()
            if client.bench is not None:
                client.bench.close()
            sender.cancel()
            with contextlib.suppress(asyncio.CancelledError, ConnectionError, RuntimeError):
                await sender
        return socket

    async def _greeting(self, socket: web.WebSocketResponse) -> messages.Start | None:
        """The first message, if it is the one that says who it is."""
        try:
            message = messages.parse(await socket.receive_str(timeout=PATIENCE_S))
        except (ValueError, TypeError, TimeoutError, RuntimeError):
            return None
        return message if isinstance(message, messages.Start) else None

    async def _listen(
        self, socket: web.WebSocketResponse, client: Client, sender: asyncio.Future[None]
    ) -> None:
        async for message in socket:
            if message.type is WSMsgType.BINARY:
                await socket.close(code=WSCloseCode.UNSUPPORTED_DATA, message=b"text only")
                return
            if message.type is not WSMsgType.TEXT or sender.done():
                return
            try:
                if client.heard_too_much():
                    raise ValueError("too many messages")
                self._obey(client, messages.parse(message.data))
            except ValueError as error:
                await socket.close(code=WSCloseCode.POLICY_VIOLATION, message=str(error).encode()[:100])
                return

    def _obey(self, client: Client, message: messages.Message) -> None:
        match message:
            case messages.Start():
                client.start(message)
                self._attention.set()
            case messages.View(visible=visible):
                client.visible = visible
                self._attention.set()
            case _ if client.role is not Role.CONTROL:
                client.reply({"type": "refused", "reason": "This link may watch but not steer."})
            case messages.Pause(paused=paused):
                refused = self._service.pause(paused)
                if refused:
                    client.reply({"type": "refused", "reason": f"Not done: {refused}"})
            case messages.Arm(armed=armed):
                refused = self._service.arm(armed)
                if refused:
                    client.reply({"type": "refused", "reason": f"Not done: {refused}"})
            case messages.Tune():
                if client.bench is None:
                    client.bench = TuningBench(self._feed, self._threads, client.reply)
                client.bench.ask(message)
            case messages.Keep():
                answer = bench.keep(self._feed, message)
                for page in self._clients if answer["type"] == "kept" else {client}:
                    page.reply(answer)
            case messages.Calibrate() | messages.CalibrationKey():
                refused = self._calibrate(message)
                if refused:
                    client.reply({"type": "refused", "reason": refused})

    def _calibrate(self, message: messages.Calibrate | messages.CalibrationKey) -> str:
        """Why it cannot be, or nothing."""
        calibration = self._service.calibration
        if calibration is None:
            return "There is nobody to calibrate on: the source is no live one."
        try:
            if isinstance(message, messages.Calibrate):
                calibration.start(
                    message.detectors, few=message.few, force=message.force, slower=message.slower
                )
            elif message.press == "keep":
                calibration.keep()
            else:
                calibration.press(message.press)
        except (ValueError, OSError) as error:
            return f"Not done: {error}"
        return ""


def _refusal(status: int, reason: str) -> web.Response:
    return web.Response(status=status, text=f"{reason}\n")


def _http_log() -> logging.Logger:
    logger = logging.getLogger("bridge.monitor.http")
    logger.addFilter(_in_one_line)
    return logger


def _in_one_line(record: logging.LogRecord) -> bool:
    """What a stranger sends that is no HTTP is worth one line, not a traceback each."""
    error = record.exc_info[1] if record.exc_info else None
    if isinstance(error, HttpProcessingError):
        record.levelno, record.levelname = logging.WARNING, "WARNING"
        what = (error.message.splitlines() or [type(error).__name__])[0]
        record.msg, record.args = "the page: what came is no HTTP request: %s", (what[:100],)
        record.exc_info = None
    return True

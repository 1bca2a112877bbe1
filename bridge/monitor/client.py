"""One open page. It has no queue: it remembers how far it was served and is served from what is kept.

A slow page therefore gets fewer and larger frames and, when it falls out of what is kept, a gap; the
daemon waits for nobody.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import time
from collections.abc import Callable
from typing import Any

from aiohttp import WSCloseCode, web

from bridge.monitor import messages
from bridge.monitor.access import Role
from bridge.monitor.bench import TuningBench
from bridge.monitor.feed import Feed

_MOST_REPLIES = 20
_MOST_COLUMNS = 1024  # in one frame, so that catching up never takes the loop for long


class Client:
    """``woken`` is set by the server's tick, ``leaving`` when the server stops."""

    def __init__(self, socket: web.WebSocketResponse, role: Role, feed: Feed, boot: str) -> None:
        self.role = role
        self.visible = True
        self.started = False
        self.woken = asyncio.Event()
        self.leaving = asyncio.Event()
        self._socket = socket
        self._feed = feed
        self._boot = boot
        self._layout = 0
        self._rules = -1
        self._calibration = -1
        self._epochs: list[int] = []
        self._columns: list[int] = []
        self._log = 0
        self._now: str = ""
        self._replies: list[dict[str, Any] | bytes] = []
        self.bench: TuningBench | None = None
        self._window_start = 0.0
        self._window_count = 0

    def heard_too_much(self) -> bool:
        """Counts one message; True when there are more in a second than any page of ours sends."""
        now = time.monotonic()
        if now - self._window_start >= 1:
            self._window_start, self._window_count = now, 0
        self._window_count += 1
        return self._window_count > messages.MOST_A_SECOND

    def start(self, message: messages.Start) -> None:
        """Go on where the page's last connection ended, if it was to this daemon."""
        feed = self._feed
        places = len(feed.histories)
        if (
            message.boot == self._boot
            and message.layout == feed.layout
            and len(message.columns) == len(message.epochs) == places
        ):
            self._layout = feed.layout
            self._epochs = list(message.epochs)
            self._columns = list(message.columns)
            self._log = min(message.log, feed.journal.last)
        self.started = True
        self.woken.set()

    def reply(self, message: dict[str, Any] | bytes) -> None:
        """An answer to this page alone; a page that does not fetch its answers loses the newest."""
        if len(self._replies) < _MOST_REPLIES:
            self._replies.append(message)
        self.woken.set()

    @property
    def wants(self) -> bool:
        return self.started and self.visible

    async def say_goodbye(self) -> None:
        """Say goodbye; a page that does not listen is dropped."""
        with contextlib.suppress(TimeoutError, ConnectionError, RuntimeError):
            async with asyncio.timeout(0.5):
                await self._socket.close(code=WSCloseCode.GOING_AWAY, message=b"ended")

    async def serve(self, shared: Callable[[int, int, int], bytes], now: Callable[[], str]) -> None:
        """Send what is new whenever woken, until cancelled or the connection breaks."""
        while True:
            await self.woken.wait()
            self.woken.clear()
            while self._replies:
                answer = self._replies.pop(0)
                if isinstance(answer, bytes):
                    await self._socket.send_bytes(answer)
                else:
                    await self._send(answer)
            if self.wants:
                await self._send_news(shared, now)

    async def _send_news(self, shared: Callable[[int, int, int], bytes], now: Callable[[], str]) -> None:
        feed = self._feed
        if self._layout != feed.layout:
            self._layout = feed.layout
            self._epochs = [history.epoch for history in feed.histories]
            self._columns = [0] * len(feed.histories)
            self._log = 0
            self._rules = self._calibration = -1
            await self._send({**feed.hello(), "boot": self._boot, "control": self.role is Role.CONTROL})
        if self._rules != feed.rules_version:
            self._rules = feed.rules_version
            rules = feed.rules()
            await self._send(
                {
                    "type": "rules",
                    "file": rules.file,
                    "rules": [{"name": rule.name, "sentence": rule.sentence} for rule in rules.rules],
                    "problems": list(rules.problems),
                    "reaches": list(rules.reaches),
                }
            )
        calibration = feed.service.calibration
        if calibration is not None and self._calibration != calibration.version:
            self._calibration = calibration.version
            await self._send(calibration.state())
        latest = now()
        if latest is not self._now:
            self._now = latest
            await self._socket.send_str(latest)
        for place in range(len(self._columns)):
            await self._send_columns(place, shared)
        while entries := feed.journal.since(self._log):
            self._log = entries[-1]["id"]
            await self._send({"type": "log", "entries": entries})

    async def _send_columns(self, place: int, shared: Callable[[int, int, int], bytes]) -> None:
        while self._layout == self._feed.layout:
            history = self._feed.histories[place]
            if self._epochs[place] != history.epoch:
                self._epochs[place] = history.epoch
                self._columns[place] = 0
            first = max(self._columns[place], history.first)
            end = min(history.end, first + _MOST_COLUMNS)
            if first >= end:
                return
            self._columns[place] = end
            await self._socket.send_bytes(shared(place, first, end))
            if end < history.end:
                await asyncio.sleep(0)

    async def _send(self, message: dict[str, Any]) -> None:
        await self._socket.send_str(json.dumps(message, ensure_ascii=False, allow_nan=False))

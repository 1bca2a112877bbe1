"""What runs beside the daemon: control socket, supervisor, page. Each starts and stops with it."""

from __future__ import annotations

import asyncio
import contextlib
import logging
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from bridge.service.control import ControlServer
from bridge.service.daemon import Daemon
from bridge.service.dispatch import State
from bridge.service.supervision import Supervisor

if TYPE_CHECKING:
    from bridge.monitor.server import Monitor
    from bridge.rules.schema import RuleFile
    from bridge.service.calibrating import CalibrationDesk
    from bridge.service.fitted import FittedProfile
    from bridge.service.rule_watch import RuleWatch

log = logging.getLogger("bridge")


class Control:
    """`status`, `pause` and `resume` from other processes of the same user."""

    def __init__(self, daemon: Callable[[], Daemon]) -> None:
        self._daemon = daemon
        self._server = ControlServer(
            {"status": self._status, "pause": lambda: self._pause(True), "resume": lambda: self._pause(False)}
        )

    def _status(self) -> Mapping[str, Any]:
        return self._daemon().snapshot()

    def _pause(self, paused: bool) -> Mapping[str, Any]:
        daemon = self._daemon()
        if paused != (daemon.state is State.PAUSED):
            daemon.pause(paused)
        return {"state": daemon.state.value}

    async def start(self) -> None:
        await self._server.start()

    async def stop(self) -> None:
        await self._server.stop()


class Supervision:
    """Readiness, state and watchdog for systemd, where it asks for them."""

    def __init__(self, daemon: Callable[[], Daemon]) -> None:
        self._daemon = daemon
        self._supervisor = Supervisor()
        self._task: asyncio.Task[None] | None = None

    async def start(self) -> None:
        self._supervisor.ready()
        if self._supervisor.watchdog_s is not None:
            self._task = asyncio.create_task(self._keep_telling(self._supervisor.watchdog_s))

    async def _keep_telling(self, every_s: float) -> None:
        while True:
            self._supervisor.alive()
            self._supervisor.status(self._daemon().state.value)
            await asyncio.sleep(every_s)

    async def stop(self) -> None:
        self._supervisor.stopping()
        if self._task is not None:
            self._task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await self._task
            self._task = None


class Page:
    """The local page; its link is told once it is up. ``tap`` feeds it."""

    def __init__(self, monitor: Monitor) -> None:
        self.tap = monitor

    async def start(self) -> None:
        log.info("watch it at %s", await self.tap.start())

    async def stop(self) -> None:
        await self.tap.stop()


def page(
    rules: RuleFile,
    watch: RuleWatch | None,
    daemon: Callable[[], Daemon],
    *,
    shelf: FittedProfile,
    desk: CalibrationDesk | None,
    dry_run: bool,
    port: int = 0,
) -> Page:
    """The page with what it may ask of the daemon. ``port`` 0: any free one."""
    from bridge.monitor.lent import Health, LoadedRule, LoadedRules, Service
    from bridge.monitor.server import Monitor
    from bridge.rules.explain import sentences
    from bridge.rules.reach import reaches
    from bridge.service.metrics import exposition

    def health() -> Health:
        now = daemon().snapshot()
        return Health(
            now["latency_ms"]["median"], now["latency_ms"]["p99"], now["lost_samples"], now["skipped_lines"]
        )

    told: dict[int, LoadedRules] = {}

    def loaded() -> LoadedRules:
        current = rules if watch is None else watch.rules
        if id(current) not in told:
            told.clear()
            told[id(current)] = LoadedRules(
                "" if watch is None else str(watch.path),
                tuple(LoadedRule(name, text) for name, text in sentences(current)),
                reaches=tuple(f"{reach.title}: {reach.sentence}." for reach in reaches(current)),
            )
        return replace(told[id(current)], problems=() if watch is None else watch.problems)

    return Page(
        Monitor(
            Service(
                pipeline=lambda: daemon().pipeline,
                state=lambda: daemon().state.value,
                pause=lambda paused: daemon().pause(paused),
                arm=lambda armed: daemon().dispatch.arm(armed),
                health=health,
                rules=loaded,
                keep=shelf.keep,
                can_keep=lambda: shelf.can_keep,
                calibration=desk,
                metrics=exposition(lambda: daemon().snapshot()),
                dry_run=dry_run,
            ),
            port=port,
        )
    )

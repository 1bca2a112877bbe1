"""What runs beside the daemon: control channel, supervisor, page. Each starts and stops with it."""

from __future__ import annotations

import asyncio
import contextlib
import logging
from collections.abc import Callable, Mapping, Sequence
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

_ANSWERED_S = 0.05


class Control:
    """`status`, `pause`, `resume`, `arm`, `disarm` and `stop` from other processes of the same user."""

    tasks: Sequence[asyncio.Task[None]] = ()

    def __init__(
        self, daemon: Callable[[], Daemon], rule_file: str = "", events_link: Callable[[], str] = lambda: ""
    ) -> None:
        """``rule_file`` names what runs, empty where there is none; ``events_link`` is the page's stream."""
        self._daemon = daemon
        self._rule_file = rule_file
        self._events_link = events_link
        self._server = ControlServer(
            {
                "status": self._status,
                "pause": lambda: self._pause(True),
                "resume": lambda: self._pause(False),
                "arm": lambda: self._arm(True),
                "disarm": lambda: self._arm(False),
                "stop": self._stop,
            }
        )

    def _status(self) -> Mapping[str, Any]:
        link = self._events_link()
        more = {"events_link": link} if link else {}
        return {"rule_file": self._rule_file, **self._daemon().snapshot(), **more}

    def _arm(self, armed: bool) -> Mapping[str, Any]:
        daemon = self._daemon()
        refused = daemon.arm(armed, f"`biosignal-bridge {'arm' if armed else 'disarm'}`")
        return {"error": refused} if refused else daemon.standing.to_json()

    def _pause(self, paused: bool) -> Mapping[str, Any]:
        daemon = self._daemon()
        if paused != (daemon.state is State.PAUSED):
            refused = daemon.pause(paused, f"`biosignal-bridge {'pause' if paused else 'resume'}`")
            if refused:
                return {"error": refused}
        return daemon.standing.to_json()

    def _stop(self) -> Mapping[str, Any]:
        log.info("stopping")
        # The answer goes out first.
        asyncio.get_running_loop().call_later(_ANSWERED_S, self._daemon().stop)
        return {"state": "stopping"}

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

    @property
    def tasks(self) -> Sequence[asyncio.Task[None]]:
        return () if self._task is None else (self._task,)

    async def start(self) -> None:
        self._supervisor.ready()
        if self._supervisor.watchdog_s is not None:
            self._task = asyncio.create_task(self._keep_telling(self._supervisor.watchdog_s))

    async def _keep_telling(self, every_s: float) -> None:
        while True:
            self._supervisor.alive()
            self._supervisor.status(self._daemon().standing.sentence)
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

    @property
    def tasks(self) -> Sequence[asyncio.Future[None]]:
        return self.tap.tasks

    async def start(self) -> None:
        log.info("watch it at %s", await self.tap.start())
        log.info("events for other programs at %s", self.tap.events_link)

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
    cautions: str = "",
    port: int = 0,
) -> Page:
    """The page with what it may ask of the daemon.

    ``cautions``: what a person must read before electrodes touch anybody; empty where nobody is wired.
    ``port`` 0: any free one.
    """
    from bridge.monitor.lent import Health, LoadedRule, LoadedRules, Service
    from bridge.monitor.server import Monitor
    from bridge.rules.explain import sentences
    from bridge.rules.reach import reaches
    from bridge.service.metrics import exposition

    def health() -> Health:
        now = daemon().snapshot()
        return Health(
            now["latency_ms"]["median"],
            now["latency_ms"]["p99"],
            now["lost_samples"],
            now["skipped_lines"],
            now.get("recording", {}).get("problem"),
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
                standing=lambda: daemon().standing,
                pause=lambda paused: daemon().pause(paused, "the page"),
                arm=lambda armed: daemon().arm(armed, "the page"),
                health=health,
                rules=loaded,
                keep=shelf.keep,
                can_keep=lambda: shelf.can_keep,
                calibration=desk,
                metrics=exposition(lambda: daemon().snapshot()),
                dry_run=dry_run,
                cautions=cautions,
            ),
            port=port,
        )
    )

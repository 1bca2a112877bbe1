"""A daemon in small for the page's tests: the real pipeline over a synthetic person, and a monitor."""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import AsyncIterator, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from bridge.detectors import settings_from
from bridge.monitor import Health, LoadedRule, LoadedRules, Monitor, Service
from bridge.outputs.standing import Standing
from bridge.pipeline import Binding, DetectionChain, Pipeline, Wanted, bind
from bridge.rules.actions import Action, KeyDown, KeyUp, Press
from bridge.signals.types import Block, Detection, Event
from bridge.sources.person import SyntheticPerson

STANDINGS = {
    "armed": Standing(armed=True),
    "armed-unable": Standing(armed=True, unable="the keystroke guard is not there"),
    "disarmed": Standing(),
    "paused": Standing(armed=True, paused_by="the page"),
    "no-signal": Standing(armed=True, all_silent=True),
}
BLOCK = 5  # samples: 20 ms at 250 Hz
RULES = LoadedRules(
    file="try.yaml",
    rules=(
        LoadedRule("Next slide", "When you blink, press PageDown."),
        LoadedRule("Talk", "While a contraction lasts, hold Space."),
    ),
    problems=("try.yaml:12:9: there is no event “blinc”; did you mean blink?",),
)


class SmallEngine:
    """Every blink presses, every contraction holds."""

    def process(self, detection: Detection) -> list[Action]:
        if not isinstance(detection, Event):
            return []
        at = detection.decided
        if detection.kind == "blink":
            return [Action(at, "Next slide", "keys", Press(("PageDown",)), detection)]
        if detection.kind == "contraction":
            keys = ("Space",)
            act = KeyDown(keys, 10.0) if detection.edge == "start" else KeyUp(keys)
            return [Action(at, "Talk", "keys", act, detection)]
        return []

    def advance(self, time: float) -> list[Action]:
        return []

    def pause(self) -> list[Action]:
        return []

    def resume(self) -> list[Action]:
        return []


@dataclass
class Rig:
    """``heard``: what the page asked of the service. ``decided``: host time of each event's decision."""

    seed: int = 3
    dry_run: bool = False
    cautions: str = ""
    state: str = "armed"
    detectors: tuple[str, ...] = ("blink", "gaze", "contraction", "heartbeat")
    heard: list[tuple[str, Any]] = field(default_factory=list)
    kept: dict[str, Mapping[str, Any]] = field(default_factory=dict)
    decided: list[tuple[float, Event]] = field(default_factory=list)
    latencies_s: list[float] = field(default_factory=list)
    link: str = ""

    def __post_init__(self) -> None:
        self.person = SyntheticPerson(self.seed)
        self.info = self.person.info
        wanted = [Wanted(name) for name in self.detectors]
        self.bindings: list[Binding] = bind(self.info, wanted)
        self.chain = DetectionChain(self.info, self.bindings)
        self.pipeline = Pipeline({"": self.chain}, SmallEngine())
        self.first = 0
        self.rules = RULES
        self._pulses: list[int] = []
        self.monitor = Monitor(
            Service(
                pipeline=lambda: self.pipeline,
                standing=lambda: STANDINGS[self.state],
                pause=self._pause,
                arm=self._arm,
                health=lambda: Health(0.2, 0.9, 0, 0),
                rules=lambda: self.rules,
                keep=self._keep,
                dry_run=self.dry_run,
                cautions=self.cautions,
            )
        )

    def _pause(self, paused: bool) -> str:
        self.heard.append(("pause", paused))
        self.state = "paused" if paused else "armed"
        return ""

    def _arm(self, armed: bool) -> str:
        self.heard.append(("arm", armed))
        self.state = "armed" if armed else "disarmed"
        return ""

    def _keep(self, detector: str, settings: Mapping[str, Any]) -> None:
        """Like the service: a detector with the new settings takes the old one's place."""
        place = next(i for i, binding in enumerate(self.bindings) if binding.name == detector)
        old = self.bindings[place]
        plain = {**old.settings, **settings}
        settings_from(old.type.settings, plain)
        self.bindings[place] = Binding(old.type, old.name, old.columns, plain)
        self.kept[detector] = dict(settings)

    def blink(self, height_uv: float = 400.0) -> None:
        """The forehead blinks from the next sample on."""
        self._height_uv = height_uv
        self._pulses.append(self.first)

    def step(self, size: int = BLOCK, *, live: bool = True) -> None:
        """One block from its arrival to the page, as the daemon does it."""
        samples = self.person.generate(size)
        at = np.arange(self.first, self.first + size)
        for begin in self._pulses:
            # A raised cosine of 300 ms: a blink lasts 100 to 400 ms (common practice).
            phase = (at - begin) / (0.3 * self.info.rate)
            inside = (phase >= 0) & (phase <= 1)
            samples[inside, 0] += self._height_uv * 0.5 * (1 - np.cos(2 * np.pi * phase[inside]))
        received = time.monotonic() if live else None
        block = Block(samples, self.first, received)
        self.first += size
        outcome = self.pipeline.process(block)
        result = {"armed": "sent", "disarmed": "disarmed", "paused": "paused"}.get(self.state, "refused")
        now = time.time()
        self.decided.extend((now, item) for item in outcome.detections if isinstance(item, Event))
        if outcome.detections or outcome.actions:
            self.monitor.outcome(outcome.detections, [(action, result) for action in outcome.actions])
        self.monitor.block("", block)

    def past(self, seconds: float) -> None:
        """As if it had run for so long already."""
        for _ in range(round(seconds * self.info.rate / BLOCK)):
            self.step(live=False)

    async def live(self) -> None:
        """Blocks by the clock, for ever. Latency: from when a block is due to when it is through."""
        loop = asyncio.get_running_loop()
        origin_s, first = loop.time(), self.first
        while True:
            due_s = origin_s + (self.first - first) / self.info.rate
            await asyncio.sleep(max(0.0, due_s - loop.time()))
            self.step()
            self.latencies_s.append(loop.time() - due_s)


@contextlib.asynccontextmanager
async def running(past_s: float = 20.0, *, live: bool = True, **options: Any) -> AsyncIterator[Rig]:
    """A rig that is served, with a past and, unless told otherwise, going on by the clock."""
    rig = Rig(**options)
    rig.monitor.opened({"": rig.info})
    rig.past(past_s)
    rig.link = await rig.monitor.start()
    going = asyncio.ensure_future(rig.live()) if live else None
    try:
        yield rig
    finally:
        if going is not None:
            going.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await going
        rig.monitor.closed()
        await rig.monitor.stop()

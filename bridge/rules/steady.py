"""Continuous values at work: the latest level, mapped, sent at a steady rate while it is fresh."""

from __future__ import annotations

from math import exp, floor, isfinite
from typing import Final

from bridge.rules.actions import Act, KeyUp, Publish, SendOsc
from bridge.rules.deeds import HOLD_LIMIT_S, Duty
from bridge.rules.holding import Held, Sender
from bridge.rules.links import output_of
from bridge.rules.matching import origin_fits
from bridge.rules.rendering import Whole, render
from bridge.rules.running import Surroundings
from bridge.rules.schema import LevelRule
from bridge.rules.templates import Values
from bridge.rules.timers import Timer
from bridge.signals.types import Level

# A level that has not come for so long is not sent any more; heart rate comes once a beat, 2 s at most.
STALE_S: Final = 3.0
# What needs no window in focus.
_FREE: Final = (KeyUp, SendOsc, Publish)


def shaped(spec: LevelRule, value: float) -> float:
    """Dead band, range, curve and target of one value."""
    if abs(value) <= spec.dead_band:
        value = 0.0
    if spec.range is None:
        return value
    low, high = spec.range
    share = min(1.0, max(0.0, (value - low) / (high - low)))
    start, end = spec.to or (0.0, 1.0)
    return float(start + (end - start) * share**spec.curve)


class LevelState:
    """One entry of `levels`."""

    def __init__(self, index: int, spec: LevelRule, around: Surroundings) -> None:
        self.index = index
        self.spec = spec
        self.name = spec.name or spec.level
        self.on = False
        self.modes = frozenset(spec.while_ or ())
        self.safe_due = spec.safe is not None
        self._around = around
        self._value = 0.0
        self._smooth: float | None = None
        self._cause: Level | None = None
        self._heard_s = 0.0
        self._timers: list[Timer | None] = [None] * len(spec.then)
        self._wholes = [Whole() for _ in spec.then]
        self._outputs = [output_of(deed, around.outputs) for deed in spec.then]
        self._qos = [self._qos_of(output) for output in self._outputs]
        self._every_s = spec.every
        self._stale_s = max(STALE_S, 2 * spec.every)
        self._duties = {
            place: Held(around.hands, around.timers, self._outputs[place], deed.duty.keys, HOLD_LIMIT_S)
            for place, deed in enumerate(spec.then)
            if isinstance(deed, Duty)
        }
        self._ups: dict[int, Timer] = {}

    def wanted(self, mode: str, paused: bool) -> bool:
        return not paused and (not self.modes or mode in self.modes)

    def affected_by(self, channel: str) -> bool:
        if not channel or self._cause is None:
            return True
        return channel == self._cause.channel or channel in self._cause.channel.split("+")

    def fits(self, detector: str, channel: str) -> bool:
        return origin_fits(self.spec.from_, detector, channel)

    def take(self, level: Level, now_s: float) -> None:
        if not isfinite(level.value):
            return
        tau_s = self.spec.smoothing
        if tau_s and self._smooth is not None and self._cause is not None:
            step_s = max(0.0, level.time - self._cause.time)
            self._smooth += (level.value - self._smooth) * (1 - exp(-step_s / tau_s))
        else:
            self._smooth = level.value
        self._cause = level
        self._value = shaped(self.spec, self._smooth)
        self._heard_s = now_s
        self.safe_due = self.spec.safe is not None
        for place in range(len(self._timers)):
            if self._timers[place] is None:
                self._next(place)

    def _next(self, place: int) -> None:
        """The next moment of a steady grid that begins with the stream."""
        duty = self._duties.get(place)
        every_s = self._every_s if duty is None else self._period_s(place)
        number = floor(self._around.timers.now_s / every_s + 1e-6) + 1
        self._timers[place] = self._around.timers.at(number * every_s, lambda: self._tick(place))

    def _period_s(self, place: int) -> float:
        deed = self.spec.then[place]
        assert isinstance(deed, Duty)
        return deed.duty.period

    def _tick(self, place: int) -> None:
        self._timers[place] = None
        around = self._around
        if self._cause is None or around.timers.now_s - self._heard_s > self._stale_s:
            self._let_go(place)
            return
        if place in self._duties:
            self._beat(place)
        else:
            deed = self.spec.then[place]
            values = Values(self.name, around.mode, around.timers.now_s, self._cause, self._value)
            act = render(deed, values, qos=self._qos[place], whole=self._wholes[place])
            if act is not None:
                self._send(place)(act)
        self._next(place)

    def _beat(self, place: int) -> None:
        """One period of a held key: down at its start for the level's share of it."""
        held = self._duties[place]
        share = min(1.0, max(0.0, self._value))
        if share <= 0:
            self._let_go(place)
            return
        held.press(self._send(place))
        if share < 1:
            due_s = self._around.timers.now_s + share * self._period_s(place)
            self._ups[place] = self._around.timers.at(due_s, held.let_go)

    def _let_go(self, place: int) -> None:
        if place in self._ups:
            self._ups.pop(place).cancel()
        if place in self._duties:
            self._duties[place].let_go()

    def _qos_of(self, output: str) -> int:
        return int(getattr(self._around.outputs.get(output), "qos", 0))

    def _send(self, place: int) -> Sender:
        window = self.spec.window or ""
        output = self._outputs[place]

        def send(act: Act) -> None:
            free = isinstance(act, _FREE)
            self._around.emit(self.name, output, act, self._cause, window="" if free else window)

        return send

    def go_on(self, now_s: float) -> None:
        self.on = True

    def stop(self, *, chains: bool) -> None:
        for place, timer in enumerate(self._timers):
            if timer is not None:
                timer.cancel()
            self._timers[place] = None
            self._let_go(place)
        self._cause = None
        self._smooth = None

    def send_safe(self) -> None:
        self.safe_due = False
        values = Values(self.name, self._around.mode, self._around.timers.now_s, None)
        for deed in self.spec.safe or ():
            output = output_of(deed, self._around.outputs)
            act = render(deed, values, qos=self._qos_of(output))
            if act is not None:
                self._around.emit(self.name, output, act, None, safe=True)

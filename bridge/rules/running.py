"""A rule at work: its matcher, its limits, what it holds and what it is in the middle of."""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final, Protocol, TypeAlias

from bridge.rules.actions import Act, KeyDown, Mouse, Press, TypeText
from bridge.rules.conditions import LevelCondition
from bridge.rules.deeds import HOLD_LIMIT_S, TOGGLE_LIMIT_S, HeldKeys, Hold, Repeat, SwitchMode, Toggle, Wait
from bridge.rules.holding import Activation, Hands, Held, Repeated
from bridge.rules.links import filters_of, output_of
from bridge.rules.matching import Matcher, Origin, Sequence, build
from bridge.rules.rendering import Whole, render
from bridge.rules.schema import OutputSpec, Rule
from bridge.rules.templates import Values
from bridge.rules.timers import Timer, Timers
from bridge.signals.types import Event, Level

_MOST_CHAINS: Final = 16
_MOST_CHANNELS: Final = 64
_SIGNAL_KINDS: Final = frozenset({"signal-lost", "signal-back"})
_ON_KEYS: Final = (Press, KeyDown, TypeText, Mouse)

Cause: TypeAlias = Event | Level | None


class Surroundings(Protocol):
    """What a running rule needs of the engine."""

    timers: Timers
    hands: Hands
    outputs: Mapping[str, OutputSpec]
    mode: str
    paused: bool

    def emit(
        self, rule: str, output: str, act: Act, cause: Cause, *, safe: bool = False, window: str = ""
    ) -> None: ...

    def on_hit(self, hit: Hit) -> None: ...

    def set_mode(self, mode: str, rule: str, cause: Cause) -> None: ...

    def set_paused(self, paused: bool, rule: str, cause: Cause) -> None: ...

    def disarm(self, rule: str, cause: Cause) -> None: ...


@dataclass(frozen=True, slots=True, eq=False)
class Hit:
    """A condition that has come true: the events that made it, and the activation that may end later."""

    rule: RuleState
    taken: tuple[Event, ...]
    cause: Cause
    activation: Activation


@dataclass(slots=True, eq=False)
class _Chain:
    """A list of things to do that is waiting for its next one."""

    hit: Hit
    timer: Timer | None = None


class RuleState:
    def __init__(self, index: int, rule: Rule, around: Surroundings) -> None:
        self.index = index
        self.rule = rule
        self.on = False
        self.matcher: Matcher = build(rule.when, self, around.timers)
        self.is_sequence = isinstance(self.matcher, Sequence)
        self.modes = frozenset(rule.while_ or ())
        self.resumes = "resume" in rule.then
        self.safe_due = rule.safe is not None
        filters = [wanted for _, wanted in filters_of(rule.when)]
        self.kinds = frozenset(wanted.event for wanted in filters)
        if isinstance(rule.when, LevelCondition):
            self.kinds = frozenset({rule.when.level})
            self.origins: frozenset[str] | None = _all_given([rule.when.from_])
        else:
            self.origins = _all_given([wanted.from_ for wanted in filters])
        self.watches_signal = self.kinds <= _SIGNAL_KINDS
        self._around = around
        self._channels: set[str] = set()
        self._active: dict[Origin, Activation] = {}
        self._chains: list[_Chain] = []
        self._deaf_until_s = float("-inf")
        self._fired: deque[float] = deque()
        self._outputs = tuple(output_of(deed, around.outputs) for deed in rule.then)
        self._holds: dict[int, Held | Repeated] = {}
        for place, deed in enumerate(rule.then):
            if isinstance(deed, Hold | Toggle | Repeat):
                self._holds[place] = self._holding(deed, self._outputs[place])
        self._whole = Whole()

    def _holding(self, deed: Hold | Toggle | Repeat, output: str) -> Held | Repeated:
        around = self._around
        if isinstance(deed, Repeat):
            spec = deed.repeat
            return Repeated(around.timers, spec.keys, spec.delay, spec.interval, spec.limit)
        held = deed.hold if isinstance(deed, Hold) else deed.toggle
        usual_s = HOLD_LIMIT_S if isinstance(deed, Hold) else TOGGLE_LIMIT_S
        return Held(around.hands, around.timers, output, held.keys, _limit_s(held, usual_s))

    # What the matcher reports.

    def hit(self, taken: tuple[Event, ...], cause: Cause, origin: Origin | None) -> None:
        activation = Activation(ended=origin is None)
        if origin is not None:
            self._active[origin] = activation
        self._around.on_hit(Hit(self, taken, cause, activation))

    def end(self, origin: Origin) -> None:
        activation = self._active.pop(origin, None)
        if activation is not None:
            activation.end()

    # What the engine asks.

    def wanted(self, mode: str, paused: bool) -> bool:
        """Is the rule on in this mode? A rule that resumes is on only while paused, all others only else."""
        return self.resumes == paused and (not self.modes or mode in self.modes)

    def take(self, item: Event | Level, now_s: float) -> None:
        if len(self._channels) < _MOST_CHANNELS:
            self._channels.add(item.channel)
        if self.matcher.always or not self.limited(now_s):
            self.matcher.take(item, now_s)

    def limited(self, now_s: float) -> bool:
        """In its cooldown, or as often as it may."""
        if now_s < self._deaf_until_s:
            return True
        limit = self.rule.at_most
        if limit is None:
            return False
        while self._fired and self._fired[0] <= now_s - limit.within:
            self._fired.popleft()
        return len(self._fired) >= limit.times

    def affected_by(self, channel: str) -> bool:
        """May the loss of this channel leave the rule without a signal?"""
        if not channel or not self._channels or len(self._channels) >= _MOST_CHANNELS:
            return True
        return any(channel == heard or channel in heard.split("+") for heard in self._channels)

    def go_on(self, now_s: float) -> None:
        self.on = True
        self.matcher.arm(now_s)

    def stop(self, *, chains: bool) -> None:
        """Let go of everything and forget what was going on; with ``chains`` what was still to come, too."""
        for activation in list(self._active.values()):
            activation.end()
        self._active.clear()
        for held in self._holds.values():
            held.let_go()
        self.matcher.reset()
        if chains:
            for chain in self._chains:
                if chain.timer is not None:
                    chain.timer.cancel()
            self._chains.clear()

    def send_safe(self) -> None:
        """The safe values, if the rule has any."""
        self.safe_due = False
        around = self._around
        values = Values(self.rule.name, around.mode, around.timers.now_s, None)
        for deed in self.rule.safe or ():
            output = output_of(deed, around.outputs)
            act = render(deed, values, qos=_qos(around.outputs, output))
            if act is not None:
                around.emit(self.rule.name, output, act, None, safe=True)

    # Doing.

    def fire(self, hit: Hit) -> None:
        now_s = self._around.timers.now_s
        self._deaf_until_s = now_s + self.rule.cooldown
        if self.rule.at_most is not None:
            self._fired.append(now_s)
        self.safe_due = self.rule.safe is not None
        self._do(_Chain(hit), 0)

    def _do(self, chain: _Chain, start: int) -> None:
        if chain in self._chains:
            self._chains.remove(chain)
        for place in range(start, len(self.rule.then)):
            deed = self.rule.then[place]
            if isinstance(deed, Wait):
                if len(self._chains) < _MOST_CHAINS:
                    self._chains.append(chain)
                    due_s = self._around.timers.now_s + deed.wait
                    chain.timer = self._around.timers.at(due_s, lambda at=place + 1: self._do(chain, at))  # type: ignore[misc]
                return
            self._one(deed, place, chain.hit, late=start > 0)

    def _one(self, deed: Any, place: int, hit: Hit, *, late: bool) -> None:
        around = self._around
        name, output = self.rule.name, self._outputs[place]

        def send(act: Act) -> None:
            window = (self.rule.window or "") if isinstance(act, _ON_KEYS) else ""
            around.emit(name, output, act, hit.cause, window=window)

        if deed == "pause" or deed == "resume":
            around.set_paused(deed == "pause", name, hit.cause)
        elif deed == "disarm":
            around.disarm(name, hit.cause)
        elif isinstance(deed, SwitchMode):
            around.set_mode(deed.mode, name, hit.cause)
        elif isinstance(deed, Hold):
            self._hold(deed.hold, self._holds[place], hit.activation, send, late=late)
        elif isinstance(deed, Toggle):
            held = self._holds[place]
            assert isinstance(held, Held)
            held.let_go() if held.is_down else held.press(send)
        elif isinstance(deed, Repeat):
            repeated = self._holds[place]
            assert isinstance(repeated, Repeated)
            if not (late and hit.activation.ended):
                repeated.start(hit.activation, send)
        else:
            values = Values(name, around.mode, around.timers.now_s, hit.cause)
            act = render(deed, values, qos=_qos(around.outputs, output), whole=self._whole)
            if act is not None:
                send(act)

    def _hold(
        self, spec: HeldKeys, held: Held | Repeated, activation: Activation, send: Any, *, late: bool
    ) -> None:
        assert isinstance(held, Held)
        if not activation.ended:
            held.hold(activation, send)
        elif spec.for_ is not None:
            held.press(send)
        elif not late and not held.is_down:
            # It ended while the rule waited for a larger count: what is left of the hold is a tap.
            held.press(send)
            held.let_go()


def _all_given(origins: list[str | None]) -> frozenset[str] | None:
    """The names, or None when at least one may be anything."""
    given = frozenset(name for name in origins if name is not None)
    return given if all(name is not None for name in origins) else None


def _limit_s(spec: HeldKeys, usual_s: float) -> float:
    limit_s = spec.limit or usual_s
    return limit_s if spec.for_ is None else min(spec.for_, spec.limit or spec.for_)


def _qos(outputs: Mapping[str, OutputSpec], output: str) -> int:
    return int(getattr(outputs.get(output), "qos", 0))

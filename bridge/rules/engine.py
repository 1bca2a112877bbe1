"""The rule engine: detections in, actions out, all in sample time.

It never reads a clock. Time moves with ``process`` and ``advance``; deadlines (a wait, an absence, the limit
of a hold) that lie before an event are dealt with before the event. So the actions depend only on the events
and their times, not on how often ``advance`` is called.

What happens for one event: first every rule that is on looks at it, then those whose condition has come true
fire in the order of the file. When one of them switches the mode or pauses, those after it that are off then
do not fire any more.

Waiting: an event that could still become part of something larger (more `times`, `together`) holds back
the rules that want less of it, until the larger one is complete (then only that one fires) or its time has
run out (then the smaller one fires, late by at most that time). `wait: false` takes a rule out of this.
"""

from __future__ import annotations

from collections.abc import Mapping
from math import isfinite
from typing import Final

from bridge.rules.actions import Act, Action, Disarm, KeyUp, SetMode, SetPaused
from bridge.rules.holding import Hands
from bridge.rules.matching import origin_fits
from bridge.rules.running import Cause, Hit, RuleState
from bridge.rules.schema import RULES_OUTPUT, OutputSpec, RuleFile
from bridge.rules.steady import LevelState
from bridge.rules.timers import Timer, Timers
from bridge.signals.types import Detection, Event, Level, moment

_MOST_LISTS: Final = 1024
_MOST_PENDING: Final = 4096


class _Pending:
    """A hit that waits whether something larger takes its events."""

    __slots__ = ("hit", "timer")

    def __init__(self, hit: Hit) -> None:
        self.hit = hit
        self.timer: Timer | None = None


class Engine:
    """Takes detections in order of time. One that is late counts as of now."""

    def __init__(self, rules: RuleFile) -> None:
        self.timers = Timers()
        self.hands = Hands()
        self.paused = False
        self._kept_paused = False
        self._paused_by_rule = False  # else by hand, and then no rule resumes
        self.mode = ""
        self.outputs: Mapping[str, OutputSpec] = {}
        self._out: list[Action] = []
        self._take_over(rules)

    def _take_over(self, rules: RuleFile) -> None:
        self.outputs = rules.outputs
        self._modes = rules.modes
        if self.mode not in rules.modes:
            self.mode = rules.modes[0] if rules.modes else ""
        self._rules = tuple(RuleState(index, rule, self) for index, rule in enumerate(rules.rules))
        self._levels = tuple(LevelState(index, spec, self) for index, spec in enumerate(rules.levels))
        self._all: tuple[RuleState | LevelState, ...] = (*self._rules, *self._levels)
        self._safe = tuple(state for state in self._all if state.safe_due)
        by_kind: dict[str, list[RuleState]] = {}
        for state in self._rules:
            for kind in state.kinds:
                by_kind.setdefault(kind, []).append(state)
        self._by_kind = by_kind
        self._lists: dict[tuple[str, str, str], tuple[RuleState, ...]] = {}
        self._pending: list[_Pending] = []
        self._hits: list[Hit] | None = None
        self._regate()

    # The public side.

    @property
    def time(self) -> float:
        """Sample time in seconds up to which everything has been dealt with."""
        return self.timers.now_s

    @property
    def next_deadline(self) -> float | None:
        """When ``advance`` would do something next, if nothing else comes; None for never."""
        return self.timers.next_s

    def process(self, detection: Detection) -> list[Action]:
        """Take the next detection. Returns what the outputs are to do, in order of time."""
        at_s = moment(detection)
        if isfinite(at_s):
            self._move(at_s)
            if isinstance(detection, Event):
                self._event(detection)
            else:
                self._level(detection)
        return self._taken()

    def advance(self, time: float) -> list[Action]:
        """Time has passed without a detection."""
        if isfinite(time):
            self._move(time)
        return self._taken()

    def pause(self) -> list[Action]:
        """By hand: let go of everything, send the safe values, and let no rule fire until a hand resumes."""
        self._pause()
        self._paused_by_rule = False
        return self._taken()

    def resume(self) -> list[Action]:
        """Let the rules go on, in the mode they were in."""
        self._resume()
        return self._taken()

    def keep_paused(self, kept: bool) -> None:
        """Whether rules that resume are without effect, because something goes on that needs the pause.

        They are without effect after a pause by hand too.
        """
        self._kept_paused = kept

    def release(self, time: float) -> list[Action]:
        """The end: deal with what is due until ``time``, let go of everything, send all safe values."""
        if isfinite(time):
            self._move(time)
        self._stop_all()
        for state in self._safe:
            state.send_safe()
        self._regate()
        return self._taken()

    def reload(self, rules: RuleFile) -> list[Action]:
        """Another file takes over: held keys are let go; pause stays, and the mode if the new file has it."""
        self._stop_all()
        self.timers.clear()
        self._take_over(rules)
        return self._taken()

    # What running rules ask for (``Surroundings``).

    def emit(
        self, rule: str, output: str, act: Act, cause: Cause, *, safe: bool = False, window: str = ""
    ) -> None:
        if self.paused and not safe and not isinstance(act, KeyUp | SetPaused):
            return
        self._out.append(Action(self.timers.now_s, rule, output, act, cause, safe, window))

    def on_hit(self, hit: Hit) -> None:
        if self._hits is not None:
            self._hits.append(hit)
        else:
            self._fire(hit)

    def set_mode(self, mode: str, rule: str, cause: Cause) -> None:
        if mode == self.mode:
            return
        self.mode = mode
        self.emit(rule, RULES_OUTPUT, SetMode(mode), cause)
        self._regate()

    def set_paused(self, paused: bool, rule: str, cause: Cause) -> None:
        if paused == self.paused:
            return
        if paused:
            self._pause()
            self._paused_by_rule = True
        elif self._kept_paused or not self._paused_by_rule:
            return
        else:
            self._resume()
        self.emit(rule, RULES_OUTPUT, SetPaused(paused), cause)

    def disarm(self, rule: str, cause: Cause) -> None:
        self.emit(rule, RULES_OUTPUT, Disarm(), cause)

    # Inside.

    def _taken(self) -> list[Action]:
        out, self._out = self._out, []
        return out

    def _move(self, time_s: float) -> None:
        while (timer := self.timers.pop_due(time_s)) is not None:
            self.timers.now_s = max(self.timers.now_s, timer.stamp)
            timer.call()
        self.timers.now_s = max(self.timers.now_s, time_s)

    def _regate(self) -> None:
        """Mode or pause has changed: rules go off and on."""
        self._lists.clear()
        for state in self._all:
            wanted = state.wanted(self.mode, self.paused)
            if state.on and not wanted:
                state.on = False
                state.stop(chains=False)
                self._drop_pending(state)
            elif wanted and not state.on:
                state.go_on(self.timers.now_s)

    def _stop_all(self) -> None:
        for pending in self._pending:
            if pending.timer is not None:
                pending.timer.cancel()
        self._pending.clear()
        for state in self._all:
            state.stop(chains=True)
            state.on = False

    def _pause(self) -> None:
        if self.paused:
            return
        self._stop_all()
        for state in self._safe:
            state.send_safe()
        self.paused = True
        self._regate()

    def _resume(self) -> None:
        if self.paused:
            self.paused = False
            self._regate()

    def _listeners(self, kind: str, detector: str, channel: str) -> tuple[RuleState, ...]:
        key = (kind, detector, channel)
        found = self._lists.get(key)
        if found is None:
            if len(self._lists) >= _MOST_LISTS:
                self._lists.clear()
            found = self._lists[key] = tuple(
                state
                for state in self._by_kind.get(kind, ())
                if state.on
                and (
                    state.origins is None
                    or any(origin_fits(origin, detector, channel) for origin in state.origins)
                )
            )
        return found

    def _event(self, event: Event) -> None:
        if event.kind == "signal-lost":
            self._lose(event.channel)
        elif event.kind == "signal-back":
            self._regain(event.channel)
        self._offer(event, self._listeners(event.kind, event.detector, event.channel))

    def _level(self, level: Level) -> None:
        self._offer(level, self._listeners(level.kind, level.detector, level.channel))
        now_s = self.timers.now_s
        for state in self._levels:
            if state.on and state.spec.level == level.kind and state.fits(level.detector, level.channel):
                state.take(level, now_s)

    def _offer(self, item: Event | Level, listeners: tuple[RuleState, ...]) -> None:
        """All look first, then those that hit fire."""
        hits: list[Hit] = []
        self._hits = hits
        now_s = self.timers.now_s
        for state in listeners:
            state.take(item, now_s)
        self._hits = None
        if not hits:
            return
        larger = {_kind(hit.rule) for hit in hits if hit.rule.matcher.size > 1}
        longest: dict[tuple[int, bool], float] = {}
        if isinstance(item, Event):
            self._cancel_eaten([hit for hit in hits if hit.rule.matcher.size > 1])
            for state in listeners:
                matcher = state.matcher
                if matcher.size > 1 and matcher.keeps(item):
                    kind = _kind(state)
                    longest[kind] = max(longest.get(kind, 0.0), matcher.window_s)
        for hit in hits:
            if not hit.rule.on or any(_yields(hit, *kind) for kind in larger):
                continue
            wait_s = max((window for kind, window in longest.items() if _yields(hit, *kind)), default=0.0)
            if wait_s and hit.taken:
                self._hold_back(hit, max(now_s, hit.taken[0].decided + wait_s))
            else:
                self._fire(hit)

    def _cancel_eaten(self, larger: list[Hit]) -> None:
        """What is held back and has lost an event to something larger does not fire."""
        if not larger or not self._pending:
            return
        eaten: dict[int, set[tuple[int, bool]]] = {}
        for hit in larger:
            for event in hit.taken:
                eaten.setdefault(id(event), set()).add(_kind(hit.rule))
        for pending in list(self._pending):
            kinds = {kind for event in pending.hit.taken for kind in eaten.get(id(event), ())}
            if any(_yields(pending.hit, *kind) for kind in kinds):
                self._forget(pending)

    def _hold_back(self, hit: Hit, until_s: float) -> None:
        if len(self._pending) >= _MOST_PENDING:
            return
        pending = _Pending(hit)
        pending.timer = self.timers.at(until_s, lambda: self._release_pending(pending), closing=True)
        self._pending.append(pending)

    def _release_pending(self, pending: _Pending) -> None:
        self._pending.remove(pending)
        self._fire(pending.hit)

    def _forget(self, pending: _Pending) -> None:
        if pending.timer is not None:
            pending.timer.cancel()
        self._pending.remove(pending)

    def _drop_pending(self, state: RuleState | LevelState) -> None:
        for pending in [item for item in self._pending if item.hit.rule is state]:
            self._forget(pending)

    def _fire(self, hit: Hit) -> None:
        if hit.rule.on and not hit.rule.limited(self.timers.now_s):
            hit.rule.fire(hit)

    def _lose(self, channel: str) -> None:
        """Nobody knows what is meant now: let go, forget what was half done, send the safe values."""
        for state in self._all:
            if isinstance(state, RuleState) and state.watches_signal:
                continue
            if state.affected_by(channel):
                state.stop(chains=True)
                self._drop_pending(state)
                if state.safe_due:
                    state.send_safe()

    def _regain(self, channel: str) -> None:
        for state in self._all:
            if state.on and state.affected_by(channel):
                state.go_on(self.timers.now_s)


def _yields(hit: Hit, size: int, is_sequence: bool) -> bool:
    """Does this hit's rule wait for something of that size?"""
    wait = hit.rule.rule.wait
    if wait is False or size <= hit.rule.matcher.size:
        return False
    return wait is True or not is_sequence


def _kind(state: RuleState) -> tuple[int, bool]:
    """How many events make the rule's hit, and whether they must come in order."""
    return state.matcher.size, state.is_sequence

"""Conditions at work: events and levels in, hits and ends out.

A matcher sees only items of its kinds and origin, while its rule is on. It tells its rule ``hit`` when the
condition has come true and ``end`` when a lasting one is over. Times are those of the decision: when the
detector could know.
"""

from __future__ import annotations

from collections import deque
from typing import Final, Protocol, TypeAlias

from bridge.detectors import EVENT_TYPES
from bridge.rules.conditions import (
    AbsenceCondition,
    Condition,
    EventCondition,
    EventFilter,
    LevelCondition,
    SequenceCondition,
    TogetherCondition,
)
from bridge.rules.timers import SLACK_S, Timer, Timers
from bridge.signals.types import Event, Level

Origin: TypeAlias = tuple[str, str]  # detector, channel
_MOST_ORIGINS: Final = 64


def origin_fits(wanted: str | None, detector: str, channel: str) -> bool:
    """Does something from this detector and channel fit `from: wanted`?"""
    return (
        wanted is None or wanted in (detector, channel) or ("+" in channel and wanted in channel.split("+"))
    )


class Owner(Protocol):
    """The rule that a matcher works for."""

    def hit(self, taken: tuple[Event, ...], cause: Event | Level | None, origin: Origin | None) -> None: ...

    def end(self, origin: Origin) -> None: ...


class Matcher(Protocol):
    """``size``: how many events make a hit. ``window_s``: how long an event may wait to become part of one.

    ``always``: must see everything even in the rule's cooldown, so as not to lose track.
    """

    size: int
    window_s: float
    always: bool

    def take(self, item: Event | Level, now_s: float) -> None: ...

    def keeps(self, event: Event) -> bool:
        """Could this event still become part of a hit?"""
        ...

    def arm(self, now_s: float) -> None:
        """The rule has just come on."""
        ...

    def reset(self) -> None:
        """Forget everything; the rule itself ends what is going on."""
        ...


class FilterMatch:
    """An ``EventFilter``, ready to compare."""

    __slots__ = ("_bounds", "_edges", "_kind", "_origin")

    def __init__(self, spec: EventFilter) -> None:
        self._kind = spec.event
        self._origin = spec.from_
        self._edges = ("end",) if spec.edge == "end" else ("instant", "start")
        bounds = [(name, limits.above, limits.below) for name, limits in spec.values.items()]
        if spec.deliberate is not None:
            bounds.append(("deliberate", 0.5, None) if spec.deliberate else ("deliberate", None, 0.5))
        if spec.stronger_than is not None:
            bounds.append((EVENT_TYPES[spec.event].strength, spec.stronger_than, None))
        self._bounds = tuple(bounds)

    def fits(self, event: Event) -> bool:
        if event.kind != self._kind or event.edge not in self._edges:
            return False
        if not origin_fits(self._origin, event.detector, event.channel):
            return False
        for name, above, below in self._bounds:
            value = event.values.get(name)
            # A value that is not there, or not a number, fits no bound.
            if value is None or not (above is None or value > above) or not (below is None or value < below):
                return False
        return True

    def ends(self, event: Event) -> bool:
        """Is it the end of such a state? An end need not have the values that its start had."""
        return (
            event.kind == self._kind
            and event.edge == "end"
            and origin_fits(self._origin, event.detector, event.channel)
        )


class _Passive:
    """What matchers without deadlines and windows share."""

    size = 1
    window_s = 0.0
    always = False

    def keeps(self, event: Event) -> bool:
        return False

    def arm(self, now_s: float) -> None:
        """Nothing runs from the start."""

    def reset(self) -> None:
        """Nothing is kept."""


class Single(_Passive):
    """An event that is over at once."""

    def __init__(self, owner: Owner, spec: EventFilter) -> None:
        self._owner = owner
        self._match = FilterMatch(spec)

    def take(self, item: Event | Level, now_s: float) -> None:
        if isinstance(item, Event) and self._match.fits(item):
            self._owner.hit((item,), item, None)


class Count(_Passive):
    """So many events within a time, first to last; then counting starts anew."""

    def __init__(self, owner: Owner, spec: EventCondition) -> None:
        assert spec.times is not None
        assert spec.within is not None
        self.size = spec.times
        self.window_s = spec.within
        self._owner = owner
        self._match = FilterMatch(spec)
        self._kept: deque[tuple[float, Event]] = deque()

    def take(self, item: Event | Level, now_s: float) -> None:
        if not isinstance(item, Event) or not self._match.fits(item):
            return
        _forget(self._kept, now_s - self.window_s)
        self._kept.append((now_s, item))
        if len(self._kept) == self.size:
            taken = tuple(event for _, event in self._kept)
            self._kept.clear()
            self._owner.hit(taken, item, None)

    def keeps(self, event: Event) -> bool:
        return any(event is kept for _, kept in self._kept)

    def reset(self) -> None:
        self._kept.clear()


def _forget(kept: deque[tuple[float, Event]], before_s: float) -> None:
    while kept and kept[0][0] < before_s - SLACK_S:
        kept.popleft()


class Sequence(_Passive):
    """Events in order. Of attempts equally far, the one that began last is kept: it lives longest."""

    def __init__(self, owner: Owner, spec: SequenceCondition) -> None:
        self.size = len(spec.sequence)
        self.window_s = spec.within
        self._owner = owner
        self._steps = tuple(FilterMatch(step) for step in spec.sequence)
        self._done: list[tuple[tuple[float, Event], ...]] = [()] * self.size

    def take(self, item: Event | Level, now_s: float) -> None:
        if not isinstance(item, Event):
            return
        for step in range(self.size - 1, -1, -1):
            before = self._done[step]
            if step and (not before or before[0][0] < now_s - self.window_s - SLACK_S):
                continue
            if not self._steps[step].fits(item):
                continue
            attempt = (*before, (now_s, item))
            if step == self.size - 1:
                self.reset()
                self._owner.hit(tuple(event for _, event in attempt), item, None)
                return
            self._done[step + 1] = attempt

    def keeps(self, event: Event) -> bool:
        return any(event is kept for attempt in self._done for _, kept in attempt)

    def reset(self) -> None:
        self._done = [()] * self.size


class Together(_Passive):
    """Different events within a time, in any order; each event serves one part."""

    def __init__(self, owner: Owner, spec: TogetherCondition) -> None:
        self.size = len(spec.together)
        self.window_s = spec.within
        self._owner = owner
        self._parts = tuple(FilterMatch(part) for part in spec.together)
        self._last: list[tuple[float, Event] | None] = [None] * self.size

    def take(self, item: Event | Level, now_s: float) -> None:
        if not isinstance(item, Event):
            return
        fitting = [index for index, part in enumerate(self._parts) if part.fits(item)]
        if not fitting:
            return
        for index, kept in enumerate(self._last):
            if kept is not None and kept[0] < now_s - self.window_s - SLACK_S:
                self._last[index] = None
        free = [index for index in fitting if self._last[index] is None]
        self._last[(free or fitting)[0]] = (now_s, item)
        kept_all = [kept for kept in self._last if kept is not None]
        if len(kept_all) == self.size:
            self.reset()
            kept_all.sort(key=lambda kept: kept[0])
            self._owner.hit(tuple(event for _, event in kept_all), item, None)

    def keeps(self, event: Event) -> bool:
        return any(kept is not None and kept[1] is event for kept in self._last)

    def reset(self) -> None:
        self._last = [None] * self.size


class _Spell:
    """One lasting state of one origin."""

    __slots__ = ("cause", "ending", "hit", "waiting")

    def __init__(self, cause: Event | Level) -> None:
        self.cause = cause
        self.hit = False
        self.waiting: Timer | None = None
        self.ending: Timer | None = None

    def stop(self) -> None:
        for timer in (self.waiting, self.ending):
            if timer is not None:
                timer.cancel()


class _Spells:
    """States that must last to count (acceptance time) and be gone to have ended (release time)."""

    size = 1
    window_s = 0.0
    always = True

    def __init__(self, owner: Owner, timers: Timers, lasting_s: float, release_s: float) -> None:
        self._owner = owner
        self._timers = timers
        self._lasting_s = lasting_s
        self._release_s = release_s
        self._on: dict[Origin, _Spell] = {}

    def keeps(self, event: Event) -> bool:
        return False

    def arm(self, now_s: float) -> None:
        """A state must begin while the rule is on."""

    def reset(self) -> None:
        for spell in self._on.values():
            spell.stop()
        self._on.clear()

    def _begin(self, origin: Origin, cause: Event | Level, began_s: float, now_s: float) -> None:
        spell = self._on.get(origin)
        if spell is not None:
            if spell.ending is not None:
                spell.ending.cancel()  # back within the release time: it never stopped
                spell.ending = None
                return
            self._over(origin)  # its end was lost
        if len(self._on) >= _MOST_ORIGINS:
            return
        spell = self._on[origin] = _Spell(cause)
        due_s = began_s + self._lasting_s
        if not self._lasting_s or due_s <= now_s:
            self._hit(origin, spell)
        else:
            spell.waiting = self._timers.at(due_s, lambda: self._hit(origin, spell))

    def _hit(self, origin: Origin, spell: _Spell) -> None:
        spell.hit = True
        spell.waiting = None
        taken = (spell.cause,) if isinstance(spell.cause, Event) else ()
        self._owner.hit(taken, spell.cause, origin)

    def _finish(self, origin: Origin, now_s: float) -> None:
        spell = self._on.get(origin)
        if spell is None or spell.ending is not None:
            return
        if not self._release_s:
            self._over(origin)
        else:
            spell.ending = self._timers.at(now_s + self._release_s, lambda: self._over(origin), closing=True)

    def _over(self, origin: Origin) -> None:
        spell = self._on.pop(origin)
        spell.stop()
        if spell.hit:
            self._owner.end(origin)


class State(_Spells):
    """An event with a start and an end. The acceptance time runs from the onset."""

    def __init__(self, owner: Owner, timers: Timers, spec: EventCondition) -> None:
        super().__init__(owner, timers, spec.lasting or 0.0, spec.release or 0.0)
        self._match = FilterMatch(spec)

    def take(self, item: Event | Level, now_s: float) -> None:
        if not isinstance(item, Event):
            return
        if self._match.ends(item):
            self._finish((item.detector, item.channel), now_s)
        elif self._match.fits(item):
            self._begin((item.detector, item.channel), item, item.onset, now_s)


class Crossing(_Spells):
    """A level beyond a threshold, with hysteresis."""

    def __init__(self, owner: Owner, timers: Timers, spec: LevelCondition) -> None:
        super().__init__(owner, timers, spec.lasting or 0.0, spec.release or 0.0)
        self._sign = 1.0 if spec.above is not None else -1.0
        self._threshold = self._sign * spec.threshold
        self._back = self._sign * spec.back
        self._origin = spec.from_

    def take(self, item: Event | Level, now_s: float) -> None:
        if not isinstance(item, Level) or not origin_fits(self._origin, item.detector, item.channel):
            return
        origin = (item.detector, item.channel)
        value = self._sign * item.value
        spell = self._on.get(origin)
        if value > self._threshold:
            if spell is None or spell.ending is not None:
                self._begin(origin, item, now_s, now_s)
        elif value <= self._back:
            self._finish(origin, now_s)


class Absence(_Passive):
    """No such event for a time; fires once until the event comes again."""

    always = True

    def __init__(self, owner: Owner, timers: Timers, spec: AbsenceCondition) -> None:
        self._owner = owner
        self._timers = timers
        self._match = FilterMatch(spec.no)
        self._for_s = spec.for_
        self._timer: Timer | None = None

    def take(self, item: Event | Level, now_s: float) -> None:
        if isinstance(item, Event) and self._match.fits(item):
            self.arm(now_s)

    def arm(self, now_s: float) -> None:
        self.reset()
        self._timer = self._timers.at(
            now_s + self._for_s, lambda: self._owner.hit((), None, None), closing=True
        )

    def reset(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None


def build(condition: Condition, owner: Owner, timers: Timers) -> Matcher:
    """The matcher of a condition."""
    if isinstance(condition, SequenceCondition):
        return Sequence(owner, condition)
    if isinstance(condition, TogetherCondition):
        return Together(owner, condition)
    if isinstance(condition, LevelCondition):
        return Crossing(owner, timers, condition)
    if isinstance(condition, AbsenceCondition):
        return Absence(owner, timers, condition)
    if condition.times is not None:
        return Count(owner, condition)
    if EVENT_TYPES[condition.event].lasts and condition.edge != "end":
        return State(owner, timers, condition)
    return Single(owner, condition)

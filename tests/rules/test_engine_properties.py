"""Whatever happens, in whatever pieces it arrives: nothing stuck, nothing while paused, limits hold."""

from __future__ import annotations

from collections import Counter

from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from bridge.rules.actions import Action, KeyDown, KeyUp, SetPaused
from bridge.rules.engine import Engine
from bridge.rules.loader import load
from bridge.rules.schema import RuleFile
from bridge.signals.types import Detection, Event, Level, moment

HEAD = """
version: 1
outputs:
  keys: {type: keystrokes}
  sound: {type: osc, port: 9000}
modes: [one, two]
"""
FILES = [
    HEAD
    + """
rules:
  - {name: Hold, when: {event: contraction, lasting: 200 ms, release: 100 ms}, then: {hold: Space}}
  - {name: Toggle, when: {event: blink, deliberate: true}, then: {toggle: Shift}, while: one}
  - {name: Two, when: {event: blink, times: 2, within: 700 ms}, then: {press: b},
     at_most: {times: 3, within: 5 s}}
  - {name: Repeat, when: {event: looking-left}, then: {repeat: ArrowLeft}, while: two}
  - {name: Mode, when: {event: gaze-up}, then: {mode: two}, while: one}
  - {name: Back, when: {event: gaze-down}, then: {mode: one}, while: two}
  - {name: Stop, when: {event: long-closure}, then: pause}
  - {name: Go, when: {event: gaze-right}, then: resume}
  - {name: Long, when: {no: blink, for: 4 s}, then: [{press: x}, {wait: 1 s}, {press: y}]}
levels:
  - {level: contraction-level, every: 100 ms, then: {duty: {keys: ArrowUp, period: 300 ms}}}
""",
    HEAD
    + """
rules:
  - {name: Hold, when: {event: contraction}, then: {hold: {keys: Control+a, limit: 1 s}}, while: [one, two]}
  - {name: Level, when: {level: contraction-level, above: 40 %}, then: {hold: Enter}}
  - {name: Chord, when: {together: [{event: blink}, {event: gaze-left}], within: 400 ms}, then: {press: c}}
  - {name: Then, when: {sequence: [{event: gaze-left}, {event: contraction}], within: 2 s}, then: {press: z}}
  - {name: Safe, when: {event: heartbeat}, then: {send: {address: /x, arguments: [1]}},
     safe: {send: {address: /x, arguments: [0]}}}
  - {name: Stop, when: {event: long-closure}, then: pause}
""",
]
RULES = [load(text).rules for text in FILES]
KINDS = ("blink", "gaze-left", "gaze-right", "gaze-up", "gaze-down", "heartbeat")
STATES = ("contraction", "looking-left", "long-closure")

steps = st.floats(0, 2.5, allow_nan=False).map(lambda value: round(value, 3))


def event_at(kind: str, edge: str, at_s: float, meant: bool) -> Event:
    return Event(kind, edge, at_s, at_s, "lead", {"deliberate": float(meant), "level": 0.5})  # type: ignore[arg-type]


class Ledger:
    """Follows what an output would see."""

    def __init__(self) -> None:
        self.down: Counter[tuple[str, ...]] = Counter()
        self.paused = False
        self.fired: list[tuple[str, float]] = []
        self.last_s = 0.0

    def take(self, actions: list[Action]) -> None:
        for action in actions:
            assert action.time >= self.last_s - 1e-9, "actions come in order of time"
            self.last_s = max(self.last_s, action.time)
            match action.act:
                case SetPaused(paused=paused):
                    self.paused = paused
                case KeyDown(keys=keys):
                    assert not self.paused, "no key goes down while paused"
                    self.down[keys] += 1
                    assert self.down[keys] == 1, "a key that is down is not pressed again"
                case KeyUp(keys=keys):
                    self.down[keys] -= 1
                    assert self.down[keys] == 0, "a key comes up once"
                case _:
                    assert not self.paused or action.safe, "nothing fires while paused"
                    self.fired.append((action.rule, action.time))

    @property
    def held(self) -> list[tuple[str, ...]]:
        return [keys for keys, count in self.down.items() if count]


class Life(RuleBasedStateMachine):
    """A daemon's day: events, levels, silence, pauses, reloads, a lost signal."""

    def __init__(self) -> None:
        super().__init__()
        self.engine = Engine(RULES[0])
        self.ledger = Ledger()
        self.now_s = 0.0
        self.current = 0

    @initialize(which=st.sampled_from([0, 1]))
    def start(self, which: int) -> None:
        self.engine = Engine(RULES[which])
        self.current = which

    @rule(after_s=steps, kind=st.sampled_from(KINDS), meant=st.booleans())
    def happens(self, after_s: float, kind: str, meant: bool) -> None:
        self.now_s += after_s
        self.ledger.take(self.engine.process(event_at(kind, "instant", self.now_s, meant)))

    @rule(after_s=steps, kind=st.sampled_from(STATES), edge=st.sampled_from(["start", "end"]))
    def changes(self, after_s: float, kind: str, edge: str) -> None:
        self.now_s += after_s
        self.ledger.take(self.engine.process(event_at(kind, edge, self.now_s, True)))

    @rule(after_s=steps, value=st.floats(0, 1))
    def level(self, after_s: float, value: float) -> None:
        self.now_s += after_s
        self.ledger.take(self.engine.process(Level("contraction-level", self.now_s, value, "lead")))

    @rule(after_s=st.floats(0, 40))
    def silence(self, after_s: float) -> None:
        self.now_s += after_s
        self.ledger.take(self.engine.advance(self.now_s))

    @rule()
    def signal_is_lost(self) -> None:
        self.ledger.take(self.engine.process(event_at("signal-lost", "instant", self.now_s, False)))
        assert not self.ledger.held, "a lost signal lets go of everything it held"

    @rule()
    def signal_is_back(self) -> None:
        self.ledger.take(self.engine.process(event_at("signal-back", "instant", self.now_s, False)))

    @rule()
    def pause(self) -> None:
        actions = self.engine.pause()
        self.ledger.take(actions)
        self.ledger.paused = True
        assert not self.ledger.held, "a pause lets go of everything"

    @rule()
    def resume(self) -> None:
        self.ledger.paused = False
        self.ledger.take(self.engine.resume())

    @rule(which=st.sampled_from([0, 1]))
    def reload(self, which: int) -> None:
        self.ledger.take(self.engine.reload(RULES[which]))
        self.current = which
        assert not self.ledger.held, "new rules begin with nothing held"

    @invariant()
    def the_limit_holds(self) -> None:
        times = [at_s for name, at_s in self.ledger.fired if name == "Two"]
        assert all(late - early >= 5 - 1e-9 for early, late in zip(times, times[3:], strict=False))

    def teardown(self) -> None:
        self.ledger.paused = False
        self.ledger.take(self.engine.release(self.now_s))
        assert not self.ledger.held, "in the end no key is down"


Life.TestCase.settings = settings(max_examples=120, stateful_step_count=40, deadline=None)
TestLife = Life.TestCase


@st.composite
def streams(draw: st.DrawFn) -> list[Detection]:
    at_s, items = 0.0, []
    for _ in range(draw(st.integers(1, 25))):
        at_s = round(at_s + draw(steps), 3)
        which = draw(st.integers(0, 2))
        if which == 0:
            items.append(event_at(draw(st.sampled_from(KINDS)), "instant", at_s, draw(st.booleans())))
        elif which == 1:
            items.append(
                event_at(draw(st.sampled_from(STATES)), draw(st.sampled_from(["start", "end"])), at_s, True)
            )
        else:
            items.append(Level("contraction-level", at_s, draw(st.floats(0, 1)), "lead"))
    return items


def told(
    rules: RuleFile, items: list[Detection], ticks: list[float], end_s: float
) -> list[tuple[object, ...]]:
    engine, actions = Engine(rules), []
    waiting = sorted(ticks)
    for item in items:
        while waiting and waiting[0] <= moment(item):
            actions += engine.advance(waiting.pop(0))
        actions += engine.process(item)
    for at_s in waiting:
        actions += engine.advance(at_s)
    actions += engine.release(end_s)
    return [(round(action.time, 6), action.rule, action.output, repr(action.act)) for action in actions]


@given(streams(), st.lists(st.floats(0, 70), max_size=30), st.sampled_from(RULES))
@settings(max_examples=150, deadline=None)
def test_the_arrival_pattern_makes_no_difference(
    items: list[Detection], ticks: list[float], rules: RuleFile
) -> None:
    """The same timed events give the same actions, however often and when the time is told in between."""
    end_s = moment(items[-1]) + 100
    assert told(rules, items, ticks, end_s) == told(rules, items, [], end_s)

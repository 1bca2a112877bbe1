"""Keys that stay down: who holds them, how long at most, and that each goes up again."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from typing import Protocol

from bridge.rules.actions import Act, KeyDown, KeyUp, Press
from bridge.rules.timers import Timer, Timers


class Activation:
    """One firing of a rule. While it has not ended, its holds go on."""

    __slots__ = ("ended", "on_end")

    def __init__(self, *, ended: bool) -> None:
        self.ended = ended
        self.on_end: list[Callable[[Activation], None]] = []

    def end(self) -> None:
        if not self.ended:
            self.ended = True
            for stop in self.on_end:
                stop(self)
            self.on_end.clear()


class Hands:
    """Which keys of which output are down, and for how many holds."""

    def __init__(self) -> None:
        self._down: Counter[tuple[str, str]] = Counter()

    def down(self, output: str, keys: tuple[str, ...]) -> tuple[str, ...]:
        """Count one more hold; returns the keys that really go down."""
        new = tuple(key for key in keys if not self._down[output, key])
        self._down.update((output, key) for key in keys)
        return new

    def up(self, output: str, keys: tuple[str, ...]) -> tuple[str, ...]:
        """One hold less; returns the keys that nobody holds any more."""
        free = []
        for key in keys:
            self._down[output, key] -= 1
            if self._down[output, key] <= 0:
                del self._down[output, key]
                free.append(key)
        return tuple(free)

    @property
    def held(self) -> frozenset[tuple[str, str]]:
        return frozenset(self._down)


class Sender(Protocol):
    """Hands an act of one deed to its output, with the rule's name and cause."""

    def __call__(self, act: Act) -> None: ...


class Held:
    """The hold of one deed. Several activations may share it; the keys go up with the last."""

    def __init__(
        self, hands: Hands, timers: Timers, output: str, keys: tuple[str, ...], limit_s: float
    ) -> None:
        self._hands = hands
        self._timers = timers
        self._output = output
        self._keys = keys
        self._limit_s = limit_s
        self._holders: list[Activation] = []
        self._timer: Timer | None = None
        self.is_down = False
        self._send: Sender | None = None

    def hold(self, activation: Activation, send: Sender) -> None:
        """Down until the activation ends, at the latest after the limit."""
        self._holders.append(activation)
        activation.on_end.append(self.drop)
        self.press(send)

    def press(self, send: Sender) -> None:
        """Down until ``let_go``, at the latest after the limit."""
        if self.is_down:
            return
        self.is_down = True
        self._send = send
        new = self._hands.down(self._output, self._keys)
        if new:
            send(KeyDown(new, self._limit_s))
        self._timer = self._timers.at(self._timers.now_s + self._limit_s, self.let_go)

    def drop(self, activation: Activation) -> None:
        if activation in self._holders:
            self._holders.remove(activation)
            if not self._holders:
                self.let_go()

    def let_go(self) -> None:
        self._holders.clear()
        if not self.is_down:
            return
        self.is_down = False
        if self._timer is not None:
            self._timer.cancel()
        free = self._hands.up(self._output, self._keys)
        if free and self._send is not None:
            self._send(KeyUp(free))


class Repeated:
    """Keys pressed again and again while an activation goes on."""

    def __init__(
        self, timers: Timers, keys: tuple[str, ...], delay_s: float, interval_s: float, limit_s: float
    ) -> None:
        self._timers = timers
        self._keys = keys
        self._delay_s = delay_s
        self._interval_s = interval_s
        self._limit_s = limit_s
        self._holder: Activation | None = None
        self._until_s = 0.0
        self._timer: Timer | None = None
        self._send: Sender | None = None

    @property
    def is_down(self) -> bool:
        return self._holder is not None

    def start(self, activation: Activation, send: Sender) -> None:
        send(Press(self._keys))
        if activation.ended:
            return
        self.let_go()
        self._holder = activation
        activation.on_end.append(self.drop)
        self._send = send
        self._until_s = self._timers.now_s + self._limit_s
        self._next(self._timers.now_s + self._delay_s)

    def _next(self, time_s: float) -> None:
        if time_s <= self._until_s:
            self._timer = self._timers.at(time_s, lambda: self._again(time_s))
        else:
            self.let_go()

    def _again(self, time_s: float) -> None:
        assert self._send is not None
        self._send(Press(self._keys))
        self._next(time_s + self._interval_s)

    def drop(self, activation: Activation) -> None:
        if activation is self._holder:
            self.let_go()

    def let_go(self) -> None:
        self._holder = None
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None

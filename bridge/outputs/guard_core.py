"""What the guard decides: which keys are down, until when, and what is refused. No I/O but the keyboard's.

Time (monotonic seconds) comes in with every call, and what is to be told comes back as ``Said``.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import cast

from bridge.outputs.allow_list import AllowLists
from bridge.outputs.guard_lines import (
    PULSE_LOST_S,
    STALE_S,
    Arm,
    Command,
    Free,
    HoldKeys,
    LetGo,
    Point,
    PressKeys,
    Pulse,
    Release,
    Said,
    Write,
)
from bridge.outputs.key_names import MODIFIERS
from bridge.outputs.keyboard import Button, Keyboard, KeyboardGoneError, NotTypableError
from bridge.outputs.limits import LONGEST_HOLD_S, POINTER_MOVES_PER_S, RateLimit

_FOCUS_EVERY_S = 0.05  # how often a hold that is bound to a window asks for the focus


@dataclass(frozen=True, slots=True)
class _Chord:
    """The codes of keys that go down together, in order. ``meant`` are those of the keys themselves; the rest
    are modifiers that the keyboard needs for a character."""

    codes: tuple[int, ...]
    meant: frozenset[int]


@dataclass(slots=True)
class _Hold:
    chord: _Chord
    until_s: float
    window: str


class Guard:
    """Holds what is down and lets it go: on time, without a pulse, and when told.

    ``keyboard`` is None while there is no screen; everything is refused then.
    """

    def __init__(
        self,
        keyboard: Keyboard | None,
        *,
        allowed: AllowLists,
        per_second: float,
        longest_hold_s: float,
        pause_key: str = "",
    ) -> None:
        self._keyboard = keyboard
        self._allowed = allowed
        self._pause_key = pause_key
        self._longest_hold_s = min(longest_hold_s, LONGEST_HOLD_S)
        self._presses = RateLimit(per_second)
        self._moves = RateLimit(POINTER_MOVES_PER_S)
        self._holds: dict[tuple[str, ...], _Hold] = {}
        self._down: dict[int, int] = {}  # code: by how many holds
        self._armed = False
        self._pulse_s: float | None = None
        self._focus_s = 0.0

    @property
    def held(self) -> tuple[str, ...]:
        """Names of what is down, for people."""
        return tuple("+".join(keys) for keys in self._holds)

    @property
    def _held_keys(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys(key for keys in self._holds for key in keys))

    def take(self, command: Command, now_s: float) -> list[Said]:
        """Carry out one command."""
        try:
            match command:
                case Pulse():
                    self._feel(command.at, now_s)
                    return [Said("alive", command.n)]
                case Arm():
                    self._armed = command.armed
                    return [] if command.armed else self.release("disarmed")
                case Release():
                    return self.release("told to")
                case Free():
                    self._free(command.keys)
                    return []
                case LetGo():
                    self._let_go(command.keys)
                    return []
                case PressKeys() | HoldKeys() | Write() | Point():
                    self._feel(command.at, now_s)  # who sends commands is not hung
                    why = self._refusal(command, now_s) or self._do(command, now_s)
                    return [Said("refused", command.id, why)] if why else []
        except KeyboardGoneError as gone:
            return self.lose_screen(str(gone))

    def _feel(self, at: float, now_s: float) -> None:
        self._pulse_s = max(self._pulse_s or 0.0, min(at, now_s))

    def _refusal(self, command: PressKeys | HoldKeys | Write | Point, now_s: float) -> str:
        """Why the command may not be carried out; empty when it may."""
        if not self._armed:
            return "keystrokes are disarmed"
        if now_s - command.at > STALE_S:
            return f"it is {now_s - command.at:.1f} s old"
        if self._keyboard is None:
            return "there is no screen to type on"
        match command:
            case PressKeys() | HoldKeys():
                if self._pause_key and self._pause_key in command.keys:
                    return f"{self._pause_key} is the pause key"
                listed = self._allowed.refusal(command.keys)
                listed = listed or self._allowed.refusal(command.keys, self._held_keys)
            case Write():
                listed = self._allowed.text_refusal(command.text)
                for character in dict.fromkeys(command.text) if self._holds else ():
                    listed = listed or self._allowed.refusal(
                        ("Space" if character == " " else character,), self._held_keys
                    )
            case Point():
                listed = self._allowed.mouse_refusal(self._held_keys)
        if listed:
            return listed
        if command.window and not self._in_focus(command.window):
            return f"no window with {command.window!r} in its title has the focus"
        return ""

    def _in_focus(self, wanted: str) -> bool:
        assert self._keyboard is not None
        try:
            title = self._keyboard.focused_title()
        except NotTypableError:
            return False
        return title is not None and wanted.casefold() in title.casefold()

    def _do(self, command: PressKeys | HoldKeys | Write | Point, now_s: float) -> str:
        """Carry it out; returns why not, if not."""
        try:
            match command:
                case PressKeys():
                    return self._press(command.keys, now_s)
                case HoldKeys():
                    return self._hold(command, now_s)
                case Write():
                    return self._write(command.text, now_s)
                case Point():
                    return self._point(command, now_s)
        except NotTypableError as error:
            return str(error)

    def _resolve(self, keys: Iterable[str]) -> _Chord:
        assert self._keyboard is not None
        each = [self._keyboard.codes(key) for key in keys]
        return _Chord(
            tuple(dict.fromkeys(code for codes in each for code in codes)),
            frozenset(codes[-1] for codes in each),
        )

    def _changed(self, keys: Iterable[str], chord: _Chord | None = None) -> str:
        """Why these keys, which ``chord`` presses, would not arrive as what they are; empty when they would.

        Shift is down for a held `A`, though no rule names it: a `b` beside it would arrive as `B`.
        """
        assert self._keyboard is not None
        implied = self._implied(() if chord is None else (chord,))
        for key in keys if implied else ():
            if key not in MODIFIERS and not implied <= set(self._keyboard.codes(key)[:-1]):
                return self._changer(implied, repr(key))
        return ""

    def _implied(self, more: Iterable[_Chord] = ()) -> frozenset[int]:
        """Modifiers that are down for a character's sake only, once ``more`` is down as well."""
        down = [*(hold.chord for hold in self._holds.values()), *more]
        meant = frozenset(code for each in down for code in each.meant)
        return frozenset(code for each in down for code in each.codes) - meant

    def _changer(self, implied: frozenset[int], what: str) -> str:
        for keys, hold in self._holds.items():
            if implied & set(hold.chord.codes):
                return f"{'+'.join(keys)!r} is held, whose modifier key would change {what}"
        return f"a modifier key that another key needs would change {what}"

    def _press(self, keys: tuple[str, ...], now_s: float) -> str:
        assert self._keyboard is not None
        chord = self._resolve(keys)
        # A modifier that is held anyway serves as it is; the key itself cannot go down twice.
        fresh = [code for code in chord.codes if code not in self._down]
        if not fresh or fresh[-1] != chord.codes[-1]:
            return "the key is being held"
        changed = self._changed(keys, chord)
        if changed:
            return changed
        if not self._presses.admit(now_s):
            return self._too_many()
        self._tap(fresh)
        self._keyboard.flush()
        return ""

    def _tap(self, codes: list[int]) -> None:
        assert self._keyboard is not None
        for code in codes:
            self._keyboard.down(code)
        for code in reversed(codes):
            self._keyboard.up(code)

    def _too_many(self) -> str:
        return f"more than {self._presses.per_second:g} presses a second"

    def _hold(self, command: HoldKeys, now_s: float) -> str:
        assert self._keyboard is not None
        until_s = now_s + min(command.limit_s, self._longest_hold_s)
        if command.keys in self._holds:
            return "the key is being held"
        chord = self._resolve(command.keys)
        changed = self._changed(command.keys, chord)
        if changed:
            return changed
        if not self._presses.admit(now_s):
            return self._too_many()
        self._holds[command.keys] = _Hold(chord, until_s, command.window)
        fresh = [code for code in chord.codes if code not in self._down]
        for code in chord.codes:
            self._down[code] = self._down.get(code, 0) + 1
        self._keyboard.keep(self._down)  # first: it must be on record before it is down
        for code in fresh:
            self._keyboard.down(code)
        self._keyboard.flush()
        return ""

    def _write(self, text: str, now_s: float) -> str:
        assert self._keyboard is not None
        taps = []
        for character in text:
            key = "Space" if character == " " else character
            codes = self._keyboard.codes(key)
            if any(code in self._down for code in codes):
                return "one of its keys is being held"
            changed = self._changed((key,))
            if changed:
                return changed
            taps.append(list(codes))
        if not self._presses.admit(now_s, max(1, len(text))):
            return self._too_many()
        for codes_of_one in taps:
            self._tap(codes_of_one)
        self._keyboard.flush()
        return ""

    def _point(self, command: Point, now_s: float) -> str:
        assert self._keyboard is not None
        presses = command.clicks + abs(command.scroll_x) + abs(command.scroll_y)
        implied = self._implied()
        if presses and implied:
            return self._changer(implied, "the mouse")
        if not self._moves.admit(now_s) or (presses and not self._presses.admit(now_s, presses)):
            return self._too_many()
        if command.dx or command.dy:
            self._keyboard.move(command.dx, command.dy)
        if command.clicks:
            self._keyboard.click(cast(Button, command.button or "left"), command.clicks)
        if command.scroll_x or command.scroll_y:
            self._keyboard.scroll(command.scroll_x, command.scroll_y)
        self._keyboard.flush()
        return ""

    def _let_go(self, keys: tuple[str, ...]) -> bool:
        hold = self._holds.pop(keys, None)
        if hold is None:
            return False
        released = []
        for code in reversed(hold.chord.codes):
            self._down[code] -= 1
            if not self._down[code]:
                del self._down[code]
                released.append(code)
        if self._keyboard is not None:
            for code in released:
                self._keyboard.up(code)
            self._keyboard.keep(self._down)
            self._keyboard.flush()
        return True

    def _free(self, keys: Iterable[str]) -> None:
        """Releases for what an earlier guard held, whether or not it is down."""
        if self._keyboard is None:
            return
        for key in keys:
            try:
                codes = self._keyboard.codes(key)
            except NotTypableError:
                continue
            self._free_codes(codes)

    def free_leftovers(self) -> int:
        """Release what the keyboard says guards before this one left down; returns how many keys."""
        if self._keyboard is None:
            return 0
        codes = self._keyboard.leftovers()
        self._free_codes(codes)
        return len(codes)

    def _free_codes(self, codes: Iterable[int]) -> None:
        assert self._keyboard is not None
        for code in reversed(tuple(codes)):
            if code not in self._down:
                self._keyboard.up(code)
        self._keyboard.flush()

    def release(self, why: str) -> list[Said]:
        """Let go of everything."""
        return self._let_go_where(lambda _: True, why)

    def _let_go_where(self, ends: Callable[[_Hold], bool], why: str) -> list[Said]:
        ended = [keys for keys, hold in self._holds.items() if ends(hold)]
        for keys in reversed(ended):
            self._let_go(keys)
        return [Said("released", why=why, keys=tuple("+".join(keys) for keys in ended))] if ended else []

    def tick(self, now_s: float) -> list[Said]:
        """Let go of what is due. Call at ``deadline_s`` and after anything else."""
        if not self._holds:
            return []
        try:
            if self._pulse_s is None or now_s - self._pulse_s >= PULSE_LOST_S:
                return self.release("the daemon's pulse stopped")
            told = self._let_go_where(lambda hold: hold.until_s <= now_s, "held for as long as is allowed")
            if now_s >= self._focus_s and any(hold.window for hold in self._holds.values()):
                self._focus_s = now_s + _FOCUS_EVERY_S
                told += self._let_go_where(
                    lambda hold: bool(hold.window) and not self._in_focus(hold.window),
                    "the window lost the focus",
                )
            return told
        except KeyboardGoneError as gone:
            return self.lose_screen(str(gone))

    def deadline_s(self) -> float | None:
        """When ``tick`` has something to do at the latest; None while nothing is down."""
        if not self._holds:
            return None
        due = min(hold.until_s for hold in self._holds.values())
        if any(hold.window for hold in self._holds.values()):
            due = min(due, self._focus_s)
        return min(due, (self._pulse_s or 0.0) + PULSE_LOST_S)

    def lose_screen(self, why: str) -> list[Said]:
        """The screen session has ended, and with it everything that was down on it."""
        lost = self.held
        self._keyboard = None
        self._holds.clear()
        self._down.clear()
        return [Said("gone", why=why or "the screen session has ended", keys=lost)]

    def watch_pause_key(self) -> list[Said]:
        """Begin to notice the pause key on this screen; says why where it cannot be."""
        if self._keyboard is None or not self._pause_key:
            return []
        try:
            self._keyboard.watch(self._pause_key)
        except NotTypableError as error:
            return [Said("unwatched", why=str(error))]
        return []

    def look_at_pause_key(self) -> list[Said]:
        """What the person's pause key asks for: everything is let go at once, the daemon does the rest."""
        if self._keyboard is None or not self._keyboard.noticed():
            return []
        return [*self.release("the pause key"), Said("pause-key")]

    def find_screen(self, keyboard: Keyboard) -> list[Said]:
        """A screen is there again; nothing is pressed on it that was down on the one before."""
        self._keyboard = keyboard
        try:
            self.free_leftovers()
        except KeyboardGoneError as gone:
            return self.lose_screen(str(gone))
        return [Said("back", why=keyboard.name), *self.watch_pause_key()]

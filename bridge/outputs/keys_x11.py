"""Typing on an X11 screen by the XTEST extension, which reaches every program.

Key events by XSendEvent are marked as synthetic and many programs ignore them, so this goes by keycode only
and refuses what the layout in use does not carry.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from bridge.outputs.key_names import ALT_GRAPH, NAMED, SHIFT, keysyms
from bridge.outputs.keyboard import Button, KeyboardError, KeyboardGoneError, NotTypableError

# A property of the root window: it lives exactly as long as the keys that it names can be down.
_HELD = "_BIOSIGNAL_BRIDGE_HELD_"
_LOCK_MASK = 1 << 1
_REPEAT_MS = 100  # automatic repeats release and press within less
_GROUP_SHIFT = 13  # X Keyboard Extension protocol, 2.2.2: the group is in bits 13 and 14 of the state
_BUTTONS: dict[Button, int] = {"left": 1, "middle": 2, "right": 3}
_SCROLL_UP, _SCROLL_DOWN, _SCROLL_LEFT, _SCROLL_RIGHT = 4, 5, 6, 7


class X11Keyboard:
    """Raises KeyboardError when the display cannot be opened or lacks XTEST."""

    name = "x11"

    def __init__(self) -> None:
        try:
            from Xlib import X, Xatom, display, error
        except ImportError as missing:
            from bridge.extras import install_command

            raise KeyboardError(
                f"the library for X11 is missing ({missing}): {install_command('python-xlib')}"
            ) from None
        named = os.environ.get("DISPLAY", "")
        try:
            self._display = display.Display()
        except (error.DisplayError, error.ConnectionClosedError, OSError, AssertionError) as failure:
            raise KeyboardError(
                f"the X11 display {named!r} cannot be opened ({str(failure).strip()}); "
                "start the daemon inside the screen session, or set DISPLAY and XAUTHORITY"
            ) from None
        if not self._display.has_extension("XTEST"):
            self._display.close()
            raise KeyboardError(f"the X11 display {named!r} has no XTEST extension, so no key can be pressed")
        self._x, self._atoms, self._lost = X, Xatom, (error.ConnectionClosedError, OSError)
        self._refused = error.XError
        self._display.set_error_handler(_ignore)
        self._root = self._display.screen().root
        self._watched = self._presses = self._last_ms = 0
        self._held_atom = self._display.intern_atom(f"{_HELD}{os.getpid()}")

    def codes(self, key: str) -> tuple[int, ...]:
        wanted = keysyms("Space" if key == " " else key)
        if not wanted:
            raise NotTypableError(f"there is no key {key!r}")
        try:
            if key in NAMED:
                return self._named(key, wanted)
            return self._character(key, wanted)
        except self._lost as gone:
            raise KeyboardGoneError(str(gone)) from None

    def _named(self, key: str, wanted: tuple[int, ...]) -> tuple[int, ...]:
        places = [place for keysym in wanted for place in self._display.keysym_to_keycodes(keysym)]
        for code, index in places:
            if index in (0, 2):  # unshifted in either group
                return (code,)
        raise NotTypableError(f"the keyboard layout in use has no {key} key")

    def _character(self, key: str, wanted: tuple[int, ...]) -> tuple[int, ...]:
        state = int(self._root.query_pointer().mask)
        group = state >> _GROUP_SHIFT & 3
        capitals = bool(state & _LOCK_MASK)
        best: tuple[int, ...] | None = None
        for keysym in wanted:
            for code, index in self._display.keysym_to_keycodes(keysym):
                level = self._level(code, index, group)
                if level is None:
                    continue
                if capitals and level in (0, 1) and key.lower() != key.upper():
                    level = 1 - level
                codes = (*self._modifiers(level), code)
                if best is None or len(codes) < len(best):
                    best = codes
        if best is None:
            raise NotTypableError(f"the keyboard layout in use cannot type {key!r}")
        return best

    def _level(self, code: int, index: int, group: int) -> int | None:
        """Shift level 0–3 at which an index of the core map stands in the active group.

        The core map of a key is G1L1 G1L2 G2L1 G2L2 G1L3 G1L4 G2L3 G2L4 (X Keyboard Extension protocol,
        12.4); of a key with one group the second pair repeats the first or is empty.
        """
        if group > 1 or index > 7:
            return None
        if (index >> 1) % 2 == group:
            return (index & 1) + (2 if index >= 4 else 0)
        second = (2, 3) if index < 4 else (6, 7)
        one_group = all(self._display.keycode_to_keysym(code, place) == 0 for place in second)
        return (index & 1) + (2 if index >= 4 else 0) if one_group else None

    def _modifiers(self, level: int) -> tuple[int, ...]:
        codes = []
        if level >= 2:
            codes.append(next((c for c in map(self._display.keysym_to_keycode, ALT_GRAPH) if c), 0))
        if level & 1:
            codes.append(self._display.keysym_to_keycode(SHIFT))
        if 0 in codes:
            raise NotTypableError("the keyboard layout in use lacks the modifier key for it")
        return tuple(codes)

    def down(self, code: int) -> None:
        self._fake(self._x.KeyPress, code)

    def up(self, code: int) -> None:
        self._fake(self._x.KeyRelease, code)

    def move(self, dx: int, dy: int) -> None:
        self._fake(self._x.MotionNotify, 1, dx, dy)  # detail 1: relative

    def click(self, button: Button, times: int) -> None:
        for _ in range(times):
            self._click(_BUTTONS[button])

    def scroll(self, x: int, y: int) -> None:
        for _ in range(abs(y)):
            self._click(_SCROLL_UP if y > 0 else _SCROLL_DOWN)
        for _ in range(abs(x)):
            self._click(_SCROLL_RIGHT if x > 0 else _SCROLL_LEFT)

    def _click(self, number: int) -> None:
        self._fake(self._x.ButtonPress, number)
        self._fake(self._x.ButtonRelease, number)

    def _fake(self, kind: int, detail: int, x: int = 0, y: int = 0) -> None:
        try:
            self._display.xtest_fake_input(kind, detail, x=x, y=y)
        except self._lost as gone:
            raise KeyboardGoneError(str(gone)) from None

    def keep(self, codes: Iterable[int]) -> None:
        held = list(codes)
        try:
            if held:
                self._root.change_property(self._held_atom, self._atoms.CARDINAL, 32, held)
            else:
                self._root.delete_property(self._held_atom)
        except self._lost as gone:
            raise KeyboardGoneError(str(gone)) from None

    def leftovers(self) -> tuple[int, ...]:
        try:
            found: list[int] = []
            for atom in self._root.list_properties():
                name = self._display.get_atom_name(atom)
                if not name.startswith(_HELD) or _alive(name.removeprefix(_HELD)):
                    continue
                kept = self._root.get_full_property(atom, self._atoms.CARDINAL)
                found.extend(int(code) for code in (kept.value if kept else ()) if 8 <= code <= 255)
                self._root.delete_property(atom)
            return tuple(dict.fromkeys(found))
        except self._lost as gone:
            raise KeyboardGoneError(str(gone)) from None
        except self._refused:
            return ()

    def flush(self) -> None:
        try:
            self._display.flush()
        except self._lost as gone:
            raise KeyboardGoneError(str(gone)) from None

    def focused_title(self) -> str | None:
        try:
            return self._title()
        except self._refused:  # the window went away while we asked
            return None
        except self._lost as gone:
            raise KeyboardGoneError(str(gone)) from None

    def _title(self) -> str | None:
        active = self._root.get_full_property(
            self._display.intern_atom("_NET_ACTIVE_WINDOW"), self._x.AnyPropertyType
        )
        window: Any = None
        if active is not None and len(active.value) and active.value[0]:
            window = self._display.create_resource_object("window", int(active.value[0]))
        else:
            focus = self._display.get_input_focus().focus
            window = None if isinstance(focus, int) else focus
        # Without a window manager the focus may be on a child of the window that carries the title.
        while window is not None and window.id != self._root.id:
            title = self._text(window, "_NET_WM_NAME") or self._text(window, "WM_NAME")
            if title:
                return title
            window = window.query_tree().parent or None
        return None

    def _text(self, window: Any, name: str) -> str:
        value = window.get_full_property(self._display.intern_atom(name), self._x.AnyPropertyType)
        raw = value.value if value is not None else b""
        if isinstance(raw, str):
            return raw
        charset = "utf-8" if name == "_NET_WM_NAME" else "latin-1"
        return bytes(raw).decode(charset, "replace") if isinstance(raw, bytes) else ""

    def watch(self, key: str) -> None:
        (*_, code) = self.codes(key)
        from Xlib import error

        refused = error.CatchError(error.BadAccess)
        try:
            mode = self._x.GrabModeAsync
            self._root.grab_key(code, self._x.AnyModifier, False, mode, mode, onerror=refused)
            self._display.sync()
        except self._lost as gone:
            raise KeyboardGoneError(str(gone)) from None
        if refused.get_error():
            raise NotTypableError(f"another program has taken the {key} key")
        self._watched = code

    def noticed(self) -> int:
        count, self._presses = self._presses, 0
        return count

    def fileno(self) -> int | None:
        return int(self._display.fileno())

    def poll(self) -> None:
        try:
            for _ in range(self._display.pending_events()):
                event = self._display.next_event()
                if event.type == self._x.MappingNotify:
                    self._display.refresh_keyboard_mapping(event)
                elif event.type in (self._x.KeyPress, self._x.KeyRelease):
                    self._notice(event)
        except self._lost as gone:
            raise KeyboardGoneError(str(gone)) from None

    def _notice(self, event: Any) -> None:
        """A key that is kept down repeats as release and press; only what comes after a pause counts."""
        if event.type == self._x.KeyPress and event.detail == self._watched:
            # While the key is down the grab would keep from others the releases that are to follow.
            self._display.ungrab_keyboard(self._x.CurrentTime)
            quiet_ms = (event.time - self._last_ms) & 0xFFFFFFFF  # the server's clock wraps at 32 bits
            if quiet_ms > _REPEAT_MS:
                self._presses += 1
        self._last_ms = event.time

    def close(self) -> None:
        try:
            # A server that sees the end of a connection may drop what it has not carried out by then.
            self._display.sync()
            self._display.close()
        except self._lost:
            return


def _alive(pid: str) -> bool:
    """Is a process of this number at work? The guard that wrote the property may still be."""
    if not pid.isdigit() or int(pid) == os.getpid():
        return False
    try:
        os.kill(int(pid), 0)
    except ProcessLookupError:
        return False
    except (OSError, OverflowError):
        return True
    try:
        stat = Path(f"/proc/{int(pid)}/stat").read_text()
    except OSError:
        return True
    return stat.rpartition(")")[2].split()[:1] not in (["Z"], ["X"])  # ended, not yet collected


def _ignore(*_: object) -> None:
    """Errors of requests without a reply: a window that is gone, a key that someone else grabbed."""

"""What a way of typing has to do, and the choice among them. Loaded by the guard: imports nothing heavy."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterable, Mapping
from typing import Literal, Protocol

from bridge.outputs.key_names import is_name

BACK_ENDS = ("auto", "x11", "uinput", "macos", "windows")
ENVIRONMENT = "BIOSIGNAL_BRIDGE_KEYBOARD"
UINPUT = "/dev/uinput"

Button = Literal["left", "middle", "right"]


class KeyboardError(Exception):
    """This way of typing is not to be had here; the message says why and what to do."""


class KeyboardGoneError(Exception):
    """The screen session has ended; nothing is down any more."""


class NotTypableError(Exception):
    """The key cannot be typed here; the message says why."""


class Keyboard(Protocol):
    """Presses and releases by code. Every method may raise KeyboardGoneError.

    A code is whatever identifies a physical key to the system; codes stay valid while they are down, even
    if the layout changes.
    """

    name: str

    def codes(self, key: str) -> tuple[int, ...]:
        """The codes to press, in order, for a key name or character. Raises NotTypableError."""
        ...

    def down(self, code: int) -> None: ...

    def up(self, code: int) -> None: ...

    def move(self, dx: int, dy: int) -> None: ...

    def click(self, button: Button, times: int) -> None: ...

    def scroll(self, x: int, y: int) -> None: ...

    def keep(self, codes: Iterable[int]) -> None:
        """Note, where a later guard finds it, what is down. Takes effect with the next ``flush``."""
        ...

    def leftovers(self) -> tuple[int, ...]:
        """Codes that guards before this one left down."""
        ...

    def flush(self) -> None:
        """Make sure that everything so far is on its way."""
        ...

    def focused_title(self) -> str | None:
        """Title of the window that has the focus, None when there is none. Raises NotTypableError when
        this system does not tell."""
        ...

    def fileno(self) -> int | None:
        """What becomes readable when ``poll`` has something to do."""
        ...

    def poll(self) -> None:
        """Take in what the system has to say: a new layout, the end of the session."""
        ...

    def close(self) -> None: ...


def choose(environment: Mapping[str, str], platform: str, *, uinput_writable: bool) -> str:
    """Name of the back end that suits. Raises KeyboardError when none does."""
    named = environment.get(ENVIRONMENT, "auto").strip().lower() or "auto"
    if named not in BACK_ENDS:
        raise KeyboardError(f"{ENVIRONMENT} is {named!r}; it may be {', '.join(BACK_ENDS)}")
    if named != "auto":
        return named
    if platform == "darwin":
        return "macos"
    if platform == "win32":
        return "windows"
    wayland = bool(environment.get("WAYLAND_DISPLAY")) or environment.get("XDG_SESSION_TYPE") == "wayland"
    if environment.get("DISPLAY") and not (wayland and uinput_writable):
        return "x11"
    if uinput_writable:
        return "uinput"
    raise KeyboardError(
        "there is no screen to type on: DISPLAY is not set and there is no virtual input device that may be "
        f"written ({UINPUT}). Start the daemon inside the screen session, or set DISPLAY"
    )


def open_keyboard(name: str = "auto") -> Keyboard:
    """Open a way of typing. Raises KeyboardError."""
    if name == "auto":
        name = choose(os.environ, sys.platform, uinput_writable=os.access(UINPUT, os.W_OK))
    if name == "x11":
        from bridge.outputs.keys_x11 import X11Keyboard

        return X11Keyboard()
    if name == "uinput":
        from bridge.outputs.keys_uinput import UinputKeyboard

        return UinputKeyboard()
    if name == "macos":
        from bridge.outputs.keys_macos import MacKeyboard

        return MacKeyboard()
    if name == "windows":
        from bridge.outputs.keys_windows import WindowsKeyboard

        return WindowsKeyboard()
    raise KeyboardError(f"there is no keyboard back end {name!r}")


def untypable(keys: Iterable[str]) -> dict[str, str]:
    """Which of these keys or characters cannot be typed on this computer's present layout, and why.

    Without a screen only the names are checked: then nobody knows the layout.
    """
    wanted = tuple(dict.fromkeys(keys))
    problems = {key: f"there is no key {key!r}" for key in wanted if not is_name(key) and key != " "}
    try:
        keyboard = open_keyboard()
    except KeyboardError:
        return problems
    try:
        for key in wanted:
            if key not in problems:
                try:
                    keyboard.codes(key)
                except NotTypableError as error:
                    problems[key] = str(error)
    except KeyboardGoneError:
        pass
    finally:
        keyboard.close()
    return problems


def typable(key: str) -> str | None:
    """Why a key or character cannot be typed on this computer's present layout; None when it can."""
    return untypable((key,)).get(key)

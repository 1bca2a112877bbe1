"""Which way of typing suits this computer, and what it cannot type; each is imported when it is chosen."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterable, Mapping

from bridge.outputs.key_names import is_name
from bridge.outputs.keyboard import UINPUT, Keyboard, KeyboardError, KeyboardGoneError, NotTypableError

BACK_ENDS = ("auto", "x11", "uinput", "macos", "windows")
ENVIRONMENT = "BIOSIGNAL_BRIDGE_KEYBOARD"


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

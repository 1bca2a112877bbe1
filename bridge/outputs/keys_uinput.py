"""Typing by the Linux virtual input device, which serves Wayland and consoles as well as X11.

The kernel lets everything go by itself when the device's file is closed, however the guard ends. Tested with
a real kernel in an emulated machine (tests/emulated_machine). The layout is the screen's own affair and not
to be learned here, so characters are typed only where the configured layout is a US one.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from bridge.outputs.key_names import NAMED, US_CHARACTERS
from bridge.outputs.keyboard import UINPUT, Button, KeyboardError, KeyboardGoneError, NotTypableError

_BUTTONS: dict[Button, str] = {"left": "BTN_LEFT", "middle": "BTN_MIDDLE", "right": "BTN_RIGHT"}
_LAYOUT_FILES = ((Path("/etc/default/keyboard"), "XKBLAYOUT"), (Path("/etc/vconsole.conf"), "KEYMAP"))


class UinputKeyboard:
    """Raises KeyboardError when the device cannot be opened. ``device`` stands in for it in tests."""

    name = "uinput"

    def __init__(self, device: Any = None, environment: Mapping[str, str] | None = None) -> None:
        environment = os.environ if environment is None else environment
        try:
            from evdev import UInput, ecodes
        except ImportError as missing:
            from bridge.extras import install_command

            raise KeyboardError(
                f"the library for virtual input is missing ({missing}): {install_command('evdev')}"
            ) from None
        self._ecodes = ecodes
        self._layout = _layout(environment)
        session = environment.get("XDG_SESSION_ID", "")
        self._session = Path("/run/systemd/sessions") / session if re.fullmatch(r"\w+", session) else None
        if self._session is not None and not self._session.exists():
            self._session = None
        if device is not None:
            self._device = device
            return
        keys = [ecodes.ecodes[f"KEY_{code}"] for _, code in NAMED.values() if f"KEY_{code}" in ecodes.ecodes]
        keys += [ecodes.ecodes[f"KEY_{code}"] for code, _ in US_CHARACTERS.values()]
        keys += [ecodes.ecodes[button] for button in _BUTTONS.values()]
        able: dict[int, Sequence[int]] = {ecodes.EV_KEY: sorted(set(keys)), ecodes.EV_REL: self._axes()}
        try:
            self._device = UInput(able, name="biosignal-bridge")
        except Exception as error:  # the library has errors of its own beside OSError
            raise KeyboardError(
                f"the virtual input device {UINPUT} cannot be opened ({error}); give this user leave "
                "to write it, for example by a udev rule"
            ) from None

    def _axes(self) -> list[int]:
        codes = self._ecodes
        return [codes.REL_X, codes.REL_Y, codes.REL_WHEEL, codes.REL_HWHEEL]

    def codes(self, key: str) -> tuple[int, ...]:
        key = "Space" if key == " " else key
        if key in NAMED:
            code = self._ecodes.ecodes.get(f"KEY_{NAMED[key][1]}")
            if code is None:
                raise NotTypableError(
                    f"a virtual input device cannot type the {key} key: no code stands for it"
                )
            return (int(code),)
        if key not in US_CHARACTERS:
            raise NotTypableError(f"the virtual input device cannot type {key!r}")
        if self._layout != "us":
            raise NotTypableError(
                f"the virtual input device types characters on a US layout only, and the layout here is "
                f"{self._layout or 'not known'}; set XKB_DEFAULT_LAYOUT=us where it is a US one"
            )
        name, shifted = US_CHARACTERS[key]
        code = int(self._ecodes.ecodes[f"KEY_{name}"])
        return (int(self._ecodes.KEY_LEFTSHIFT), code) if shifted else (code,)

    def down(self, code: int) -> None:
        self._write(self._ecodes.EV_KEY, code, 1)

    def up(self, code: int) -> None:
        self._write(self._ecodes.EV_KEY, code, 0)

    def move(self, dx: int, dy: int) -> None:
        self._write(self._ecodes.EV_REL, self._ecodes.REL_X, dx)
        self._write(self._ecodes.EV_REL, self._ecodes.REL_Y, dy)

    def click(self, button: Button, times: int) -> None:
        code = int(self._ecodes.ecodes[_BUTTONS[button]])
        for _ in range(times):
            self.down(code)
            self.up(code)

    def scroll(self, x: int, y: int) -> None:
        self._write(self._ecodes.EV_REL, self._ecodes.REL_WHEEL, y)
        self._write(self._ecodes.EV_REL, self._ecodes.REL_HWHEEL, x)

    def _write(self, kind: int, code: int, value: int) -> None:
        self._check_session()
        if kind == self._ecodes.EV_REL and value == 0:
            return
        try:
            self._device.write(kind, code, value)
            # Each on its own: two changes of one key in one report would cancel each other out.
            self._device.syn()
        except OSError as error:
            raise KeyboardGoneError(f"the virtual input device has gone: {error}") from None

    def _check_session(self) -> None:
        if self._session is not None and not self._session.exists():
            raise KeyboardGoneError("the login session has ended")

    def keep(self, codes: Iterable[int]) -> None:
        """Nothing to note: the kernel lets go of everything when the device's file is closed."""

    def leftovers(self) -> tuple[int, ...]:
        return ()

    def flush(self) -> None: ...

    def focused_title(self) -> str | None:
        raise NotTypableError("the virtual input device does not tell which window has the focus")

    def watch(self, key: str) -> None:
        raise NotTypableError("the virtual input device sees no keys that people press")

    def noticed(self) -> int:
        return 0

    def fileno(self) -> int | None:
        return None

    def poll(self) -> None:
        self._check_session()

    def close(self) -> None:
        self._device.close()


def _layout(environment: Mapping[str, str]) -> str:
    """The configured keyboard layout, as far as files say; empty when nobody knows."""
    named = environment.get("XKB_DEFAULT_LAYOUT", "")
    if named:
        return named
    for path, key in _LAYOUT_FILES:
        try:
            text = path.read_text("utf-8")
        except (OSError, UnicodeDecodeError):
            continue
        found = re.search(rf'^\s*{key}\s*=\s*"?([\w,-]*)"?', text, re.MULTILINE)
        if found and found[1]:
            return found[1]
    return ""

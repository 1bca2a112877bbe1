"""What typing on macOS and Windows shares: the pynput library. Tried on neither so far."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from bridge.outputs.key_names import is_name
from bridge.outputs.keyboard import Button, KeyboardError, NotTypableError

# W3C name: pynput's name, where the system has the key.
_NAMES = {
    "Alt": "alt", "AltGraph": "alt_gr", "CapsLock": "caps_lock", "Control": "ctrl", "Meta": "cmd",
    "NumLock": "num_lock", "ScrollLock": "scroll_lock", "Shift": "shift", "Enter": "enter", "Tab": "tab",
    "Space": "space", "ArrowDown": "down", "ArrowLeft": "left", "ArrowRight": "right", "ArrowUp": "up",
    "End": "end", "Home": "home", "PageDown": "page_down", "PageUp": "page_up", "Backspace": "backspace",
    "Delete": "delete", "Insert": "insert", "ContextMenu": "menu", "Escape": "esc", "Pause": "pause",
    "PrintScreen": "print_screen", "MediaPlayPause": "media_play_pause", "MediaTrackNext": "media_next",
    "MediaTrackPrevious": "media_previous", "AudioVolumeDown": "media_volume_down",
    "AudioVolumeMute": "media_volume_mute", "AudioVolumeUp": "media_volume_up",
    **{f"F{n}": f"f{n}" for n in range(1, 21)},
}  # fmt: skip


class PynputKeyboard:
    """Codes are numbers given to key objects as they are first met; they stay valid."""

    name = "pynput"

    def __init__(self, keyboard: Any, mouse: Any) -> None:
        """``keyboard`` and ``mouse`` are pynput's modules of these names."""
        self._keyboard, self._mouse = keyboard, mouse
        self._keys = keyboard.Controller()
        self._pointer = mouse.Controller()
        self._by_code: list[Any] = []
        self._codes: dict[str, int] = {}

    def codes(self, key: str) -> tuple[int, ...]:
        key = "Space" if key == " " else key
        if key not in self._codes:
            self._by_code.append(self._object(key))
            self._codes[key] = len(self._by_code) - 1
        return (self._codes[key],)

    def _object(self, key: str) -> Any:
        if not is_name(key):
            raise NotTypableError(f"there is no key {key!r}")
        if len(key) == 1:
            return self._keyboard.KeyCode.from_char(key)
        found = getattr(self._keyboard.Key, _NAMES.get(key, ""), None) if key in _NAMES else None
        if found is None:
            raise NotTypableError(f"this system has no {key} key")
        return found

    def down(self, code: int) -> None:
        self._keys.press(self._by_code[code])

    def up(self, code: int) -> None:
        self._keys.release(self._by_code[code])

    def move(self, dx: int, dy: int) -> None:
        self._pointer.move(dx, dy)

    def click(self, button: Button, times: int) -> None:
        self._pointer.click(getattr(self._mouse.Button, button), times)

    def scroll(self, x: int, y: int) -> None:
        self._pointer.scroll(x, y)

    def keep(self, codes: Iterable[int]) -> None:
        """The daemon tells the next guard what to let go of; this system keeps no note."""

    def leftovers(self) -> tuple[int, ...]:
        return ()

    def flush(self) -> None: ...

    def focused_title(self) -> str | None:
        raise NotTypableError("this system does not tell which window has the focus")

    def watch(self, key: str) -> None:
        raise NotTypableError("a pause key is watched on X11 screens only")

    def noticed(self) -> int:
        return 0

    def fileno(self) -> int | None:
        return None

    def poll(self) -> None: ...

    def close(self) -> None: ...


def load(system: str) -> tuple[Any, Any]:
    """pynput's keyboard and mouse modules. Raises KeyboardError."""
    try:
        from pynput import keyboard, mouse
    except Exception as error:  # the library raises what the system raises
        raise KeyboardError(f"keys cannot be pressed on this {system}: {error}") from None
    return keyboard, mouse

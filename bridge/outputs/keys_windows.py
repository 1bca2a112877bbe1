"""Typing on Windows through pynput. Untested: no such computer was at hand.

Windows keeps input away from programs that run with more rights than the daemon.
"""

from __future__ import annotations

import sys

from bridge.outputs.keyboard import KeyboardError
from bridge.outputs.keys_pynput import PynputKeyboard, load


class WindowsKeyboard(PynputKeyboard):
    """Raises KeyboardError when this is no Windows or keys cannot be pressed."""

    name = "windows"

    def __init__(self) -> None:
        if sys.platform != "win32":
            raise KeyboardError("the Windows keyboard works on Windows only")
        super().__init__(*load("Windows computer"))

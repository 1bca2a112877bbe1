"""Typing on macOS through pynput. Untested: no such computer was at hand.

The system asks once for leave to control the computer (Privacy, Accessibility).
"""

from __future__ import annotations

import sys

from bridge.outputs.keyboard import KeyboardError
from bridge.outputs.keys_pynput import PynputKeyboard, load


class MacKeyboard(PynputKeyboard):
    """Raises KeyboardError when this is no macOS or keys cannot be pressed."""

    name = "macos"

    def __init__(self) -> None:
        if sys.platform != "darwin":
            raise KeyboardError("the macOS keyboard works on macOS only")
        super().__init__(*load("Mac"))

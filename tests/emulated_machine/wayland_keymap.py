"""What a Wayland compositor makes of an event code: libxkbcommon and the keymap data of the system, by ctypes.

The functions are those of <xkbcommon/xkbcommon.h>; a keycode of the X Keyboard Extension is the kernel's code and
8 (xkbcommon.h, "Keycodes").
"""

from __future__ import annotations

import ctypes
import ctypes.util

import pytest

_OFFSET = 8


class _Names(ctypes.Structure):
    """struct xkb_rule_names"""

    _fields_ = [(name, ctypes.c_char_p) for name in ("rules", "model", "layout", "variant", "options")]


class WaylandKeymap:
    """The keymap of a layout."""

    def __init__(self, layout: str) -> None:
        found = ctypes.util.find_library("xkbcommon")
        if found is None:
            pytest.fail("this test needs libxkbcommon; on Debian: apt-get install libxkbcommon0 xkb-data")
        library = self._library = ctypes.CDLL(found)
        for name, arguments, result in (
            ("xkb_context_new", [ctypes.c_int], ctypes.c_void_p),
            ("xkb_keymap_new_from_names", [ctypes.c_void_p, ctypes.c_void_p, ctypes.c_int], ctypes.c_void_p),
            (
                "xkb_keymap_key_get_syms_by_level",
                [ctypes.c_void_p, *[ctypes.c_uint32] * 3, ctypes.POINTER(ctypes.POINTER(ctypes.c_uint32))],
                ctypes.c_int,
            ),
            ("xkb_keysym_to_utf32", [ctypes.c_uint32], ctypes.c_uint32),
        ):
            function = getattr(library, name)
            function.argtypes, function.restype = arguments, result
        names = _Names(b"evdev", b"pc105", layout.encode(), b"", b"")
        context = library.xkb_context_new(0)
        self._keymap = library.xkb_keymap_new_from_names(context, ctypes.byref(names), 0)
        if not self._keymap:
            pytest.fail(f"there is no keymap for the layout {layout}; on Debian: apt-get install xkb-data")

    def keysym(self, code: int, *, shifted: bool = False) -> int:
        """The keysym of a kernel's event code; 0 where the keymap has none."""
        symbols = ctypes.POINTER(ctypes.c_uint32)()
        count = self._library.xkb_keymap_key_get_syms_by_level(
            self._keymap, code + _OFFSET, 0, int(shifted), ctypes.byref(symbols)
        )
        return int(symbols[0]) if count > 0 else 0

    def character(self, code: int, *, shifted: bool = False) -> str:
        """The character of a key; empty where it gives none."""
        point = self._library.xkb_keysym_to_utf32(self.keysym(code, shifted=shifted))
        return chr(point) if point else ""

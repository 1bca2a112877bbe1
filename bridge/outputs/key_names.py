"""W3C UI Events key names, the X11 keysyms they stand for and the Linux input codes.

Sources: W3C UI Events KeyboardEvent key Values; X.Org keysymdef.h and XF86keysym.h for the keysyms; Linux
input-event-codes.h for the code names.
"""

from __future__ import annotations

SHIFT = 0xFFE1
ALT_GRAPH = (0xFE03, 0xFF7E)  # ISO_Level3_Shift, Mode_switch

MODIFIERS = frozenset(("Alt", "AltGraph", "CapsLock", "Control", "Meta", "NumLock", "ScrollLock", "Shift"))

# name: (keysym, and others that do as well), Linux input code without its `KEY_`. No code for what keymaps
# make nothing of, or another key (xkeyboard-config's `evdev` keycodes and `inet` symbols).
NAMED: dict[str, tuple[tuple[int, ...], str]] = {
    "Alt": ((0xFFE9,), "LEFTALT"),
    "AltGraph": (ALT_GRAPH, "RIGHTALT"),
    "CapsLock": ((0xFFE5,), "CAPSLOCK"),
    "Control": ((0xFFE3,), "LEFTCTRL"),
    "Meta": ((0xFFEB, 0xFFE7), "LEFTMETA"),  # Super_L is the key that browsers report as Meta
    "NumLock": ((0xFF7F,), "NUMLOCK"),
    "ScrollLock": ((0xFF14,), "SCROLLLOCK"),
    "Shift": ((SHIFT,), "LEFTSHIFT"),
    "Enter": ((0xFF0D,), "ENTER"),
    "Tab": ((0xFF09,), "TAB"),
    "Space": ((0x0020,), "SPACE"),
    "ArrowDown": ((0xFF54,), "DOWN"),
    "ArrowLeft": ((0xFF51,), "LEFT"),
    "ArrowRight": ((0xFF53,), "RIGHT"),
    "ArrowUp": ((0xFF52,), "UP"),
    "End": ((0xFF57,), "END"),
    "Home": ((0xFF50,), "HOME"),
    "PageDown": ((0xFF56,), "PAGEDOWN"),
    "PageUp": ((0xFF55,), "PAGEUP"),
    "Backspace": ((0xFF08,), "BACKSPACE"),
    "Clear": ((0xFF0B, 0x1008FF55), ""),
    "Copy": ((0x1008FF57,), "COPY"),
    "Cut": ((0x1008FF58,), "CUT"),
    "Delete": ((0xFFFF,), "DELETE"),
    "Insert": ((0xFF63,), "INSERT"),
    "Paste": ((0x1008FF6D,), "PASTE"),
    "Redo": ((0xFF66,), "REDO"),
    "Undo": ((0xFF65,), "UNDO"),
    "Again": ((0xFF66,), "AGAIN"),
    "Cancel": ((0xFF69,), "CANCEL"),
    "ContextMenu": ((0xFF67,), "COMPOSE"),
    "Escape": ((0xFF1B,), "ESC"),
    "Execute": ((0xFF62,), ""),
    "Find": ((0xFF68, 0x1008FF1B), "FIND"),
    "Help": ((0xFF6A,), "HELP"),
    "Pause": ((0xFF13,), "PAUSE"),
    "Select": ((0xFF60,), ""),
    "ZoomIn": ((0x1008FF8B,), "ZOOMIN"),
    "ZoomOut": ((0x1008FF8C,), "ZOOMOUT"),
    "BrightnessDown": ((0x1008FF03,), "BRIGHTNESSDOWN"),
    "BrightnessUp": ((0x1008FF02,), "BRIGHTNESSUP"),
    "Eject": ((0x1008FF2C,), "EJECTCD"),
    "PrintScreen": ((0xFF61,), "SYSRQ"),
    **{f"F{n}": ((0xFFBD + n,), f"F{n}") for n in range(1, 25)},
    "MediaPause": ((0x1008FF31,), "PAUSECD"),
    "MediaPlay": ((0x1008FF14,), "PLAYCD"),
    "MediaPlayPause": ((0x1008FF14,), "PLAYPAUSE"),
    "MediaRecord": ((0x1008FF1C,), "RECORD"),
    "MediaStop": ((0x1008FF15,), "STOPCD"),
    "MediaTrackNext": ((0x1008FF17,), "NEXTSONG"),
    "MediaTrackPrevious": ((0x1008FF16,), "PREVIOUSSONG"),
    "AudioVolumeDown": ((0x1008FF11,), "VOLUMEDOWN"),
    "AudioVolumeMute": ((0x1008FF12,), "MUTE"),
    "AudioVolumeUp": ((0x1008FF13,), "VOLUMEUP"),
}

# What each 8-bit keysym page of keysymdef.h shares with a character set of the standard library.
_PAGES = (
    (1, "iso8859-2"),
    (2, "iso8859-3"),
    (3, "iso8859-4"),
    (5, "iso8859-6"),
    (12, "iso8859-8"),
    (19, "iso8859-15"),
)
_SIGMA = {"σ": 0x07F2, "ς": 0x07F3}  # the two that ISO 8859-7 has the other way round


def is_name(key: str) -> bool:
    """A named key, or one printable character."""
    return key in NAMED or (len(key) == 1 and key.isprintable() and key != " ")


def keysyms(key: str) -> tuple[int, ...]:
    """Keysyms that produce the key, the likeliest first; none when the name is unknown."""
    if key in NAMED:
        return NAMED[key][0]
    if len(key) != 1 or not key.isprintable():
        return ()
    code = ord(key)
    if code < 0x100:
        return (code,)
    if key == "€":
        return (0x20AC, 0x010020AC)
    found = [0x01000000 + code]
    for page, charset in _PAGES:
        byte = _byte(key, charset)
        if byte >= 0xA0:
            found.append(page << 8 | byte)
    cyrillic = _byte(key, "koi8-r")  # the Cyrillic page follows KOI8-R for the Russian letters
    if cyrillic >= 0xC0 or cyrillic in (0xA3, 0xB3):
        found.append(0x0600 | cyrillic)
    greek = _byte(key, "iso8859-7")
    if 0xC1 <= greek <= 0xD9 or 0xE1 <= greek <= 0xF9:
        found.append(_SIGMA.get(key, 0x0700 | greek))
    return tuple(found)


def _byte(character: str, charset: str) -> int:
    try:
        return character.encode(charset)[0]
    except UnicodeEncodeError:
        return -1


# The keys of a US keyboard, unshifted and shifted, by Linux input code.
_US = {
    "GRAVE": "`~", "MINUS": "-_", "EQUAL": "=+", "LEFTBRACE": "[{", "RIGHTBRACE": "]}", "BACKSLASH": "\\|",
    "SEMICOLON": ";:", "APOSTROPHE": "'\"", "COMMA": ",<", "DOT": ".>", "SLASH": "/?",
    **dict(zip("1234567890", ("1!", "2@", "3#", "4$", "5%", "6^", "7&", "8*", "9(", "0)"), strict=True)),
    **{letter: letter.lower() + letter for letter in "ABCDEFGHIJKLMNOPQRSTUVWXYZ"},
}  # fmt: skip
US_CHARACTERS: dict[str, tuple[str, bool]] = {
    character: (code, shifted)
    for code, pair in _US.items()
    for character, shifted in zip(pair, (False, True), strict=True)
}

"""Key names: the W3C UI Events ``key`` values that a keyboard can type, with `Space` for the blank.

Source: W3C, UI Events KeyboardEvent key Values, sections 3.1-3.18. Leaving out names that no X11 keysym
stands for keeps out what the keystroke output could never type.
"""

from __future__ import annotations

from bridge.suggesting import nearest

MODIFIERS = ("Alt", "AltGraph", "Control", "Meta", "Shift", "CapsLock", "NumLock", "ScrollLock")
WHITESPACE = ("Enter", "Tab", "Space")
NAVIGATION = ("ArrowDown", "ArrowLeft", "ArrowRight", "ArrowUp", "End", "Home", "PageDown", "PageUp")
EDITING = ("Backspace", "Clear", "Copy", "Cut", "Delete", "Insert", "Paste", "Redo", "Undo")
INTERFACE = (
    "Again", "Cancel", "ContextMenu", "Escape", "Execute", "Find", "Help", "Pause", "Select", "ZoomIn",
    "ZoomOut",
)  # fmt: skip
DEVICE = ("BrightnessDown", "BrightnessUp", "Eject", "PrintScreen")
FUNCTION = tuple(f"F{number}" for number in range(1, 25))
MULTIMEDIA = (
    "MediaPause", "MediaPlay", "MediaPlayPause", "MediaRecord", "MediaStop", "MediaTrackNext",
    "MediaTrackPrevious", "AudioVolumeDown", "AudioVolumeMute", "AudioVolumeUp",
)  # fmt: skip

NAMED_KEYS: tuple[str, ...] = (
    *MODIFIERS, *WHITESPACE, *NAVIGATION, *EDITING, *INTERFACE, *DEVICE, *FUNCTION, *MULTIMEDIA
)  # fmt: skip
_NAMED = frozenset(NAMED_KEYS)

# Names of the standard that exist but that no keyboard here can send: the message can say so.
_UNTYPABLE = """
    Accept AllCandidates Alphanumeric AppSwitch Attn Call Camera CodeInput Compose Convert CrSel
    Dead EndCall EraseEof ExSel FinalMode Fn FnLock GoHome HangulMode HanjaMode Hibernate Hiragana
    Hyper JunjaMode KanaMode KanjiMode Katakana LogOff Notification Play Power PowerOff Process
    Props Soft1 Soft2 Soft3 Soft4 Standby Super Symbol SymbolLock Unidentified VoiceDial WakeUp
    Zenkaku
"""
UNTYPABLE = frozenset(_UNTYPABLE.split())
# What people write, and the name of the standard.
_USUAL = {
    "ctrl": "Control", "strg": "Control", "esc": "Escape", "return": "Enter", "del": "Delete",
    "ins": "Insert", "pgdn": "PageDown", "pgup": "PageUp", "pagedown": "PageDown", "pageup": "PageUp",
    "page-down": "PageDown", "page-up": "PageUp", "left": "ArrowLeft", "right": "ArrowRight",
    "up": "ArrowUp", "down": "ArrowDown", "spacebar": "Space", "blank": "Space", "win": "Meta",
    "windows": "Meta", "cmd": "Meta", "command": "Meta", "super": "Meta", "option": "Alt",
    "altgr": "AltGraph", "caps": "CapsLock", "print": "PrintScreen", "volumeup": "AudioVolumeUp",
    "volumedown": "AudioVolumeDown", "mute": "AudioVolumeMute", "play": "MediaPlay",
    "next": "MediaTrackNext", "plus": "+", "minus": "-",
}  # fmt: skip


def is_key(name: str) -> bool:
    """A name of the list, or the one printable character that the key types."""
    return name in _NAMED or (len(name) == 1 and name.isprintable() and not name.isspace())


def key_problem(name: str) -> tuple[str, str] | None:
    """What is wrong with a key name, and the mend; None when nothing is."""
    if is_key(name):
        return None
    if not name.strip():
        return "a key name is missing", "write `Space` for the blank"
    if name in UNTYPABLE and name.lower() not in _USUAL:
        return f"the key `{name}` cannot be typed by the keystrokes output", "choose another key"
    meant = _USUAL.get(name.lower()) or nearest(name, NAMED_KEYS)
    mend = f"did you mean `{meant}`?" if meant else "use a W3C UI Events key name, such as `PageDown` or `a`"
    return f"there is no key `{name[:40]}`", mend


def split_keys(text: str) -> tuple[str, ...]:
    """`Control+Shift+a` as its keys; a plus sign at the end is the key itself (`Control++`)."""
    if len(text) <= 1:
        return (text,)
    if text.endswith("++"):
        return (*text[:-2].split("+"), "+")
    return tuple(part.strip() for part in text.split("+"))

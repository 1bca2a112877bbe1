"""Can keys be pressed here, which way, and what is missing? Opens the way of typing and types nothing."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from bridge.outputs import allow_list
from bridge.outputs.keyboard import UINPUT, Keyboard, KeyboardError, KeyboardGoneError, NotTypableError
from bridge.outputs.keyboard_choice import choose, open_keyboard

_RULES_FILE = "/etc/udev/rules.d/60-uinput.rules"
UDEV_RULE = 'KERNEL=="uinput", SUBSYSTEM=="misc", MODE="0660", GROUP="uinput", OPTIONS+="static_node=uinput"'
_WAYS = {
    "x11": "the X11 screen's XTEST extension",
    "uinput": f"a virtual input device of the kernel ({UINPUT})",
    "macos": "the accessibility interface of macOS",
    "windows": "the input calls of Windows",
}
_LETS_GO = {
    "x11": "An X11 screen keeps a key down when daemon and guard are both killed; the next start frees it.",
    "uinput": "The kernel lets go of every key itself when the guard ends, however it ends.",
    "macos": "A key stays down when daemon and guard are both killed; pressing it by hand frees it.",
    "windows": "A key stays down when daemon and guard are both killed; pressing it by hand frees it.",
}


@dataclass(frozen=True, slots=True)
class TypingReport:
    """``way`` is empty when none suits. ``missing`` keeps all keys from being pressed, ``limits`` some."""

    session: str
    way: str
    able: bool
    missing: tuple[str, ...] = ()
    limits: tuple[str, ...] = ()

    @property
    def way_in_words(self) -> str:
        return _WAYS.get(self.way, "none")


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What the answer depends on, apart from the way of typing itself."""

    environment: Mapping[str, str]
    platform: str
    open_keyboard: Callable[[str], Keyboard]
    device: Path = Path(UINPUT)
    trusted: Callable[[], bool | None] = lambda: None  # by macOS, to control the computer; None: not known

    @property
    def session(self) -> str:
        if self.platform in ("darwin", "win32"):
            return {"darwin": "macOS", "win32": "Windows"}[self.platform]
        if self.environment.get("WAYLAND_DISPLAY") or self.environment.get("XDG_SESSION_TYPE") == "wayland":
            return "Wayland"
        return "X11" if self.environment.get("DISPLAY") else "console"


def look() -> TypingReport:
    """The report for this process as it is."""
    return report(Surroundings(os.environ, sys.platform, open_keyboard, trusted=_trusted_by_macos))


def report(here: Surroundings) -> TypingReport:
    """Which way of typing will be used here, whether it can be, and what is missing or limited."""
    missing: list[str] = []
    try:
        allow_list.load(here.environment)
    except allow_list.AllowListError as error:
        missing.append(str(error))
    writable = os.access(here.device, os.W_OK)
    try:
        way = choose(here.environment, here.platform, uinput_writable=writable)
    except KeyboardError as error:
        return TypingReport(here.session, "", False, (*missing, str(error), *_device_missing(here.device)))
    if way == "uinput" and not writable:
        return TypingReport(here.session, way, False, (*missing, *_device_missing(here.device)))
    limits = _limits(here, way, writable)
    try:
        keyboard = here.open_keyboard(way)
    except KeyboardError as error:
        return TypingReport(here.session, way, False, (*missing, str(error)), limits)
    try:
        limits = (*limits, *_lacks(keyboard))
    except KeyboardGoneError as gone:
        missing.append(f"the screen went while it was looked at ({gone})")
    finally:
        keyboard.close()
    if way == "macos" and here.trusted() is False:
        missing.append(
            "macOS has not given leave to control this computer: System Settings, Privacy & Security, "
            "Accessibility: switch on the program that starts the daemon (the terminal), then start it anew"
        )
    return TypingReport(here.session, way, not missing, tuple(missing), limits)


def _limits(here: Surroundings, way: str, writable: bool) -> tuple[str, ...]:
    limits = [_LETS_GO[way]]
    if way == "x11" and here.session == "Wayland":
        mend = "" if writable else f" {_device_missing(here.device)[0]}."
        limits.insert(
            0,
            "Only programs that show through X11 (XWayland) get the keys; the others need the virtual input "
            f"device.{mend}",
        )
    if way == "windows":
        limits.insert(0, "Programs that run as administrator get no keys unless the daemon runs as one too.")
    return tuple(limits)


def _lacks(keyboard: Keyboard) -> tuple[str, ...]:
    """What this keyboard says it cannot do: characters on this layout, windows by title, a pause key."""
    lacks: dict[str, None] = {}
    for question in (lambda: keyboard.codes("a"), keyboard.focused_title):
        try:
            question()
        except NotTypableError as error:
            text = str(error)
            lacks[text[:1].upper() + text[1:] + "."] = None
    if keyboard.fileno() is None:
        lacks["No pause key is watched: pause by the page, a rule or `biosignal-bridge pause`."] = None
    return tuple(lacks)


def _device_missing(device: Path) -> tuple[str, ...]:
    """Why the virtual input device may not be written, and the commands that mend it."""
    if not device.exists():
        return (
            f"{device} does not exist: the kernel's module uinput is not loaded. "
            "Now: `sudo modprobe uinput`. "
            "At each start: `echo uinput | sudo tee /etc/modules-load.d/uinput.conf`",
        )
    if os.access(device, os.W_OK):
        return ()
    group = _group(device)
    user = _user()
    if group is not None and group[0] not in ("root", "input") and user in group[1]:
        return (
            f"{device} belongs to the group {group[0]}. {user} is in it, but this login does not know of it "
            "yet: log out and in again",
        )
    return (
        f"{device} may not be written by {user}: give it to a group of its own. "
        "`sudo groupadd --system uinput`, "
        f"`sudo usermod --append --groups uinput {user}`, "
        f"`echo '{UDEV_RULE}' | sudo tee {_RULES_FILE}`, "
        "`sudo udevadm control --reload`, `sudo udevadm trigger --sysname-match=uinput`, "
        "then log out and in again",
    )


def _group(device: Path) -> tuple[str, tuple[str, ...]] | None:
    """Name and members of the group that the device belongs to."""
    if sys.platform == "win32":
        return None
    import grp

    try:
        entry = grp.getgrgid(device.stat().st_gid)
    except (KeyError, OSError):
        return None
    return entry.gr_name, tuple(entry.gr_mem)


def _user() -> str:
    import getpass

    try:
        return getpass.getuser()
    except (KeyError, OSError):
        return "USER"


def _trusted_by_macos() -> bool | None:
    """Has this process leave to control the computer? None where that cannot be asked."""
    try:
        from ApplicationServices import AXIsProcessTrusted  # type: ignore[import-not-found, unused-ignore]
    except ImportError:
        return None
    return bool(AXIsProcessTrusted())

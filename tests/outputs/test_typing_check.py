"""`check --keys`: the way of typing that will be used, whether it can be, and what is missing."""

from __future__ import annotations

import json
import os
import subprocess
from collections.abc import Callable
from pathlib import Path

import components
import pytest
from fakes import NotedKeyboard

from bridge.outputs.keyboard import Keyboard, KeyboardError, NotTypableError
from bridge.outputs.typing_check import UDEV_RULE, Surroundings, TypingReport, report

GUIDE = Path(__file__).resolve().parents[2] / "demos/guides/keys.md"


class OneKeyboard(NotedKeyboard):
    """Types nothing in a check: any key that goes down fails the test."""

    def __init__(self) -> None:
        super().__init__()
        self.closed = False

    def down(self, code: int) -> None:
        pytest.fail("a key was pressed by a check")

    def focused_title(self) -> str | None:
        raise NotTypableError("this one does not tell which window has the focus")

    def close(self) -> None:
        self.closed = True


def looked(
    tmp_path: Path,
    environment: dict[str, str],
    platform: str = "linux",
    *,
    device: Path | None = None,
    opens: Callable[[str], Keyboard] | None = None,
    trusted: bool | None = None,
) -> tuple[TypingReport, OneKeyboard]:
    keyboard = OneKeyboard()
    here = Surroundings(
        {"XDG_CONFIG_HOME": str(tmp_path), **environment},
        platform,
        opens or (lambda way: keyboard),
        device or tmp_path / "none",
        lambda: trusted,
    )
    return report(here), keyboard


@pytest.fixture
def device(tmp_path: Path) -> Path:
    """Stands for the virtual input device: a file that may be written."""
    path = tmp_path / "uinput"
    path.touch()
    return path


@pytest.mark.parametrize(
    ("environment", "platform", "session", "way"),
    [
        ({"DISPLAY": ":0"}, "linux", "X11", "x11"),
        ({"WAYLAND_DISPLAY": "wayland-0", "DISPLAY": ":0"}, "linux", "Wayland", "uinput"),
        ({}, "linux", "console", "uinput"),
        ({"DISPLAY": ":0", "BIOSIGNAL_BRIDGE_KEYBOARD": "uinput"}, "linux", "X11", "uinput"),
        ({}, "darwin", "macOS", "macos"),
        ({}, "win32", "Windows", "windows"),
    ],
)
def test_where_all_is_there(
    tmp_path: Path, device: Path, environment: dict[str, str], platform: str, session: str, way: str
) -> None:
    found, keyboard = looked(tmp_path, environment, platform, device=device)
    assert (found.session, found.way, found.able, found.missing) == (session, way, True, ())
    assert keyboard.closed
    assert "This one does not tell which window has the focus." in found.limits


def test_which_way_lets_go_by_itself_is_said(tmp_path: Path, device: Path) -> None:
    found, _ = looked(tmp_path, {}, device=device)
    assert any("kernel lets go" in limit for limit in found.limits)
    found, _ = looked(tmp_path, {"DISPLAY": ":0"}, device=device)
    assert any("keeps a key down when daemon and guard are both killed" in limit for limit in found.limits)


def test_a_device_that_is_not_there(tmp_path: Path) -> None:
    found, _ = looked(tmp_path, {"XDG_SESSION_TYPE": "tty"})
    assert (found.way, found.able) == ("", False)
    assert "modprobe uinput" in found.missing[-1]
    found, _ = looked(tmp_path, {"BIOSIGNAL_BRIDGE_KEYBOARD": "uinput"})
    assert (found.way, found.able) == ("uinput", False)
    assert "modprobe uinput" in found.missing[-1]


def test_a_device_that_may_not_be_written(
    tmp_path: Path, device: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(os, "access", lambda path, mode: False)  # also for the superuser
    found, _ = looked(tmp_path, {}, device=device)
    assert not found.able
    assert UDEV_RULE in found.missing[-1]
    assert "usermod" in found.missing[-1]


def test_a_login_from_before_the_group(tmp_path: Path, device: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "access", lambda path, mode: False)
    monkeypatch.setattr("bridge.outputs.typing_check._group", lambda path: ("uinput", ("sam",)))
    monkeypatch.setattr("getpass.getuser", lambda: "sam")
    found, _ = looked(tmp_path, {}, device=device)
    assert found.missing[-1].endswith("log out and in again")
    assert "groupadd" not in found.missing[-1]


def test_wayland_by_way_of_x11_reaches_some_programs_only(tmp_path: Path) -> None:
    found, _ = looked(tmp_path, {"WAYLAND_DISPLAY": "wayland-0", "DISPLAY": ":0"})
    assert (found.way, found.able) == ("x11", True)
    assert found.limits[0].startswith("Only programs that show through X11 (XWayland)")
    assert "modprobe uinput" in found.limits[0]


def test_what_the_way_of_typing_says_is_missing(tmp_path: Path) -> None:
    def fails(way: str) -> Keyboard:
        raise KeyboardError(f"no library for {way}")

    found, _ = looked(tmp_path, {"DISPLAY": ":0"}, opens=fails)
    assert (found.able, found.missing) == (False, ("no library for x11",))


def test_leave_from_macos(tmp_path: Path) -> None:
    assert looked(tmp_path, {}, "darwin", trusted=True)[0].able
    found, _ = looked(tmp_path, {}, "darwin", trusted=False)
    assert not found.able
    assert "Accessibility" in found.missing[0]


def test_a_list_of_keys_that_cannot_be_understood(tmp_path: Path) -> None:
    found, _ = looked(tmp_path, {"DISPLAY": ":0", "BIOSIGNAL_BRIDGE_KEYS": "NoSuchKey"})
    assert not found.able
    assert "NoSuchKey" in found.missing[0]


def test_the_command_on_a_screen_types_nothing(
    x_server: components.XServer, recorder: components.KeyRecorder
) -> None:
    command = [*components.python(), "-m", "bridge", "check", "--keys"]
    done = subprocess.run(
        [*command, "--json"], env=x_server.environment, capture_output=True, text=True, timeout=60
    )
    found = json.loads(done.stdout)
    assert (done.returncode, found["able"], found["way"], found["missing"]) == (0, True, "x11", [])
    assert recorder.told() == []
    without = {key: value for key, value in x_server.environment.items() if key != "DISPLAY"}
    done = subprocess.run(
        command,
        env={**without, "BIOSIGNAL_BRIDGE_KEYBOARD": "x11"},
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert done.returncode == 1
    assert "NO" in done.stdout
    assert "DISPLAY" in done.stdout


def test_the_guide_gives_the_same_rule() -> None:
    assert UDEV_RULE in GUIDE.read_text(encoding="utf-8")

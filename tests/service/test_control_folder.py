"""Where the control channel lies: a folder of this user's own, or control is off and everything else goes on."""

from __future__ import annotations

import asyncio
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from bridge.service.control import ControlError, ControlServer, ask
from bridge.trust.places import runtime_folder
from tests.components import until

RULES = "version: 1\nsource: {type: synthetic}\noutputs:\n  note: {type: log}\nrules: []\n"


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    return runtime_folder()


def test_a_folder_of_another_user_is_neither_listened_in_nor_asked(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder.mkdir(mode=0o700)
    monkeypatch.setattr(os, "getuid", lambda: folder.stat().st_uid + 1)
    with pytest.raises(OSError, match="belongs to another user"):
        asyncio.run(ControlServer({}).start())
    with pytest.raises(ControlError, match="belongs to another user"):
        ask("status")


def test_a_link_to_a_folder_is_not_a_folder(folder: Path, tmp_path: Path) -> None:
    """Else whoever made the link could lead the commands anywhere."""
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    folder.symlink_to(elsewhere)
    with pytest.raises(OSError, match="is no folder"):
        asyncio.run(ControlServer({}).start())
    assert list(elsewhere.iterdir()) == []


@pytest.mark.parametrize("where", ["a file in its place", "nowhere"])
def test_without_a_usable_folder_the_daemon_runs_without_control(where: str, tmp_path: Path) -> None:
    rules, log = tmp_path / "rules.yaml", tmp_path / "log"
    rules.write_text(RULES)
    place = tmp_path if where == "a file in its place" else Path("/proc/nowhere")
    (tmp_path / "biosignal-bridge").touch()
    environment = {**os.environ, "XDG_RUNTIME_DIR": str(place)}
    with log.open("wb") as err:
        process = subprocess.Popen(
            [sys.executable, "-m", "bridge", "run", rules, "--no-monitor"],
            stdout=subprocess.DEVNULL,
            stderr=err,
            env=environment,
        )
    try:
        until(lambda: "is off" in log.read_text(), "the log", 30.0)
        process.send_signal(signal.SIGTERM)
        assert process.wait(10) == 0
    finally:
        process.kill()
        process.wait()
    lines = log.read_text().splitlines()
    assert sum("is off" in line for line in lines) == 1, lines
    assert "Traceback" not in log.read_text()
    asked = subprocess.run(
        [sys.executable, "-m", "bridge", "status"],
        capture_output=True,
        text=True,
        timeout=30,
        env=environment,
    )
    assert asked.returncode == 1
    assert "Traceback" not in asked.stderr

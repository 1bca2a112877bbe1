"""What a supervisor hears, on a real datagram socket (the protocol of sd_notify(3))."""

from __future__ import annotations

import shlex
import socket
from pathlib import Path

import pytest

from bridge.service.supervision import Supervisor, user_unit


def test_messages_arrive(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    address = str(tmp_path / "notify")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as heard:
        heard.bind(address)
        heard.settimeout(2)
        monkeypatch.setenv("NOTIFY_SOCKET", address)
        monkeypatch.setenv("WATCHDOG_USEC", "10000000")
        supervisor = Supervisor()
        assert supervisor.watchdog_s == 5.0
        supervisor.ready()
        supervisor.status("armed\nREADY=0")
        supervisor.alive()
        supervisor.stopping()
        messages = [heard.recv(200) for _ in range(4)]
    assert messages == [b"READY=1", b"STATUS=armed READY=0", b"WATCHDOG=1", b"STOPPING=1"]


def test_a_supervisor_that_does_not_read_holds_nobody_up(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A datagram socket takes some ten messages and then blocks, unix(7)."""
    address = str(tmp_path / "notify")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as deaf:
        deaf.bind(address)
        monkeypatch.setenv("NOTIFY_SOCKET", address)
        supervisor = Supervisor()
        for _ in range(5000):
            supervisor.alive()
        deaf.settimeout(1)
        assert deaf.recv(100) == b"WATCHDOG=1"


def test_without_a_supervisor_nothing_happens(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("NOTIFY_SOCKET", raising=False)
    supervisor = Supervisor()
    supervisor.ready()
    assert supervisor.watchdog_s is None


def test_the_unit_runs_the_daemon_and_escapes_what_systemd_expands() -> None:
    unit = user_unit(Path("50% $HOME.yaml"), ["--armed"])
    line = next(text for text in unit.splitlines() if text.startswith("ExecStart="))
    words = shlex.split(line.removeprefix("ExecStart="))
    assert words[1:4] == ["-m", "bridge", "run"]
    assert words[4].endswith("50%% $$HOME.yaml")
    assert words[5] == "--armed"
    assert "Type=notify" in unit.splitlines()

"""The whole daemon with what Windows lacks taken away: it runs, is steered from outside, and ends as asked."""

from __future__ import annotations

import json
import os
import re
import signal
import stat
import time
import urllib.request
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.components import key_recorder, until, x_server
from tests.sources.test_serial import Board
from tests.windows.rig import Running, bridge

RULES = """version: 1
source: {type: synthetic, seed: 3}
outputs:
  book: {type: log}
rules:
  - {name: Blinks, when: {event: blink}, then: {note: "seen"}}
"""
HOLDING = """version: 1
source: {type: synthetic, seed: 3}
outputs:
  keys: {type: keystrokes}
rules:
  - {name: Beats, when: {event: heartbeat}, then: {press: b}}
  - {name: Squeeze, when: {event: contraction}, then: {hold: Shift}}
"""


@pytest.fixture
def rules(tmp_path: Path) -> Path:
    path = tmp_path / "rules.yaml"
    path.write_text(RULES, encoding="utf-8")
    return path


def test_it_is_steered_and_ended_by_commands(
    start: Callable[..., Running], rules: Path, env: dict[str, str]
) -> None:
    daemon = start("run", rules, "--json", "--no-monitor")
    daemon.wait_for("live: ")
    status = until(lambda: _status(env), "an answer to `status`")
    assert status["state"] == "live"
    assert status["pid"] == daemon.process.pid
    for command, state in (("pause", "paused"), ("pause", "paused"), ("resume", "live")):
        done = bridge(command, env=env)
        assert (done.returncode, done.stdout.strip()) == (0, state), done.stderr
        assert _status(env)["state"] == state
    until(lambda: any("kind" in event for event in daemon.events()), "an event", 30)
    done = bridge("stop", env=env)
    assert done.returncode == 0, done.stderr
    assert daemon.end() == 0
    assert " s of signal in " in daemon.log[-1]
    assert not daemon.log[-1].startswith("0.0 s")
    done = bridge("status", env=env)
    assert done.returncode == 1
    assert "no daemon is running" in done.stderr


def _status(env: dict[str, str]) -> dict[str, object]:
    done = bridge("status", "--json", env=env)
    return dict(json.loads(done.stdout)) if done.returncode == 0 else {}


def test_only_this_user_can_read_where_it_is_reached(
    start: Callable[..., Running], rules: Path, env: dict[str, str], tmp_path: Path
) -> None:
    daemon = start("run", rules, "--no-monitor")
    folder = tmp_path / "biosignal-bridge"
    (place,) = until(lambda: list(folder.glob(f"{daemon.process.pid}.*")), "the file that names the port")
    assert stat.S_ISREG(place.stat().st_mode)
    assert stat.S_IMODE(place.stat().st_mode) == 0o600
    bridge("stop", env=env)
    assert daemon.end() == 0
    assert list(folder.iterdir()) == []


@pytest.mark.parametrize(
    ("number", "status"), [(signal.SIGINT, 130), (signal.SIGQUIT, 0)], ids=["ctrl-c", "ctrl-break"]
)
def test_the_console_ends_it_cleanly(
    start: Callable[..., Running], rules: Path, number: int, status: int
) -> None:
    """SIGQUIT stands for the console's SIGBREAK, which Ctrl-Break and a closed window send."""
    daemon = start("run", rules, "--json", "--no-monitor")
    until(lambda: daemon.out, "an event", 30)
    daemon.process.send_signal(number)
    assert daemon.end() == status
    assert any("stopping" in line for line in daemon.log)
    assert " s of signal in " in daemon.log[-1]


def test_a_time_limit_ends_it(start: Callable[..., Running], rules: Path) -> None:
    daemon = start("run", rules, "--for", "1.5", "--no-monitor")
    assert daemon.end() == 0
    seconds = re.search(r"([\d.]+) s of signal", daemon.log[-1])
    assert seconds is not None
    assert 1.0 < float(seconds[1]) < 2.0


def test_the_page_answers(start: Callable[..., Running], rules: Path) -> None:
    daemon = start("run", rules)
    link = daemon.wait_for("watch it at").split()[-1]
    with urllib.request.urlopen(link, timeout=10) as answer:
        assert answer.status == 200
        assert b"<html" in answer.read()


def test_a_new_version_of_the_rules_takes_over(start: Callable[..., Running], rules: Path) -> None:
    daemon = start("run", rules, "--json", "--no-monitor")
    until(lambda: daemon.out, "an event", 30)
    rules.write_text("nonsense", encoding="utf-8")
    daemon.wait_for("is refused")
    beside = rules.with_name("other.yaml")
    beside.write_text(RULES.replace("event: blink", "event: heartbeat"), encoding="utf-8")
    beside.replace(rules)
    daemon.wait_for("is in force")
    until(lambda: any(event.get("kind") == "heartbeat" for event in daemon.events()), "a heartbeat", 30)
    assert daemon.process.poll() is None


def test_a_port_is_read_and_found_again(
    start: Callable[..., Running], tmp_path: Path, env: dict[str, str]
) -> None:
    board = Board(tmp_path / "board", lambda i: f"{i % 100}\r\n", 250.0)
    board.plug_in()
    file = tmp_path / "serial.yaml"
    source = (
        f"{{type: serial, port: {board.link}, baud: 115200, rate: 250, channels: [{{name: Fp1, kind: eeg}}]}}"
    )
    file.write_text(RULES.replace("{type: synthetic, seed: 3}", source), encoding="utf-8")
    try:
        daemon = start("run", file, "--no-monitor")
        daemon.wait_for("at 250 Hz")
        until(lambda: int(str(_status(env).get("samples", 0))) > 250, "a second of samples", 20)
        board.pull()
        daemon.wait_for("is gone")
        board.plug_in()
        daemon.wait_for("is back")
        before = int(str(_status(env)["samples"]))
        until(
            lambda: int(str(_status(env)["samples"])) > before + 250, "samples from the port that is back", 20
        )
        assert bridge("stop", env=env).returncode == 0
        assert daemon.end() == 0
        assert not any("Traceback" in line for line in daemon.log)
    finally:
        board.pull()


@pytest.mark.parametrize("fault", [signal.SIGKILL, signal.SIGINT], ids=["killed", "ctrl-c"])
def test_a_held_key_comes_up_when_the_daemon_ends(
    start: Callable[..., Running], tmp_path: Path, fault: int
) -> None:
    """The Windows keyboard's own code with its library's way of typing on this system's screen."""
    file = tmp_path / "hold.yaml"
    file.write_text(HOLDING, encoding="utf-8")
    with x_server() as server, key_recorder(server) as recorder:
        daemon = start("run", file, "--armed", "--no-monitor", "--json", DISPLAY=server.display)
        assert "windows" in daemon.wait_for("the keystroke guard is at work")
        recorder.wait("down", "b", within_s=30)
        recorder.wait("up", "b")
        recorder.wait("down", "Shift_L", within_s=60)
        fault_s = time.monotonic()
        os.kill(daemon.process.pid, fault)
        up = recorder.wait("up", "Shift_L")
        assert up.at - fault_s < 0.5
        assert server.keys_down() == []
        assert daemon.end() == (130 if fault == signal.SIGINT else -fault)

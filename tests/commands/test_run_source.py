"""`run` with another source than the rule file's, and without a rule file: shown, and nothing is sent."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
import time
import tty
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from bridge.service import assembly
from bridge.signals.types import Channel, StreamInfo

BOARD = "version: 1\nsource: {type: serial, port: auto, channels: [{name: arm, kind: emg, column: 1}]}\n"
RULES = (
    "outputs: {keys: {type: keystrokes}}\n"
    "rules:\n  - {name: Squeeze, when: {event: contraction}, then: {press: a}}\n"
)


def bridge(*arguments: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "bridge", *map(str, arguments)],
        capture_output=True,
        text=True,
        timeout=100,
        env={**os.environ, "NO_COLOR": "1"},
    )


@pytest.fixture
def board() -> Iterator[str]:
    """The name of a port on which two numbers a line come, a hundred lines a second."""
    master, slave = os.openpty()
    tty.setraw(slave)
    os.set_blocking(master, False)
    over = threading.Event()

    def send() -> None:
        number = 0
        while not over.wait(0.01):
            number += 1
            try:
                os.write(master, f"{512 + number % 7},{300 + number % 5}\n".encode())
            except BlockingIOError:
                continue

    sending = threading.Thread(target=send, daemon=True)
    sending.start()
    try:
        yield os.ttyname(slave)
    finally:
        over.set()
        sending.join()
        os.close(master)
        os.close(slave)


@pytest.fixture
def rules(tmp_path: Path) -> Path:
    file = tmp_path / "squeeze.yaml"
    file.write_text(BOARD + RULES, encoding="utf-8")
    return file


def test_the_synthetic_person_takes_the_place_of_the_board(rules: Path) -> None:
    """Under the names of the rule file's channels."""
    done = bridge("run", rules, "--source", "synthetic", "--fast", "--for", 20, "--dry-run", "--json")
    assert done.returncode == 0, done.stderr
    lines = [json.loads(line) for line in done.stdout.splitlines()]
    assert {line["channel"] for line in lines if "channel" in line} == {"arm"}
    assert [line["result"] for line in lines if "action" in line] == ["shown"] * 3
    assert "source: arm (emg) at 250 Hz" in done.stderr


def test_a_recording_is_as_with_replay(rules: Path, tmp_path: Path) -> None:
    recording = tmp_path / "arm.csv"
    random = np.random.default_rng(3)
    effort = np.where(np.arange(5000) // 500 % 2 == 1, 60.0, 3.0)
    times = np.arange(5000) / 250
    np.savetxt(recording, np.column_stack((times, random.normal(0, effort))), "%.4f", ",",
               header="time,emg", comments="")  # fmt: skip
    options = ("--fast", "--dry-run", "--json")
    one = bridge("run", rules, "--source", recording, *options)
    assert one.returncode == 0, one.stderr
    assert '"press": "a"' in one.stdout
    assert one.stdout == bridge("run", rules, "--replay", recording, *options).stdout


def test_a_port_takes_the_place_of_the_rule_files(rules: Path, board: str) -> None:
    rules.write_text(
        rules.read_text(encoding="utf-8").replace("kind: emg", "kind: emg-envelope"), encoding="utf-8"
    )
    done = bridge("run", rules, "--source", board, "--rate", 100, "--for", 1, "--dry-run", "--no-monitor")
    assert done.returncode == 0, done.stderr
    assert "source: arm (emg-envelope) at 100 Hz" in done.stderr


def test_without_a_rule_file_what_is_plugged_in_is_shown_and_nothing_sent(board: str) -> None:
    done = bridge("run", "--source", board, "--rate", 100, "--for", 2, "--json")
    assert done.returncode == 0, done.stderr
    assert "the board's 2 channels carry is not known: shown as eeg" in done.stderr
    assert "channel-1 (eeg), channel-2 (eeg)" in done.stderr
    assert "watch it at http://127.0.0.1:" in done.stderr
    assert "dry run: actions are shown, not sent" in done.stderr
    assert ", 0 actions," in done.stderr


def test_without_a_rule_file_nothing_can_be_armed() -> None:
    done = bridge("run", "--armed", "--source", "synthetic")
    assert done.returncode == 2
    assert "without one nothing is sent" in done.stderr
    running = subprocess.Popen(
        [sys.executable, "-m", "bridge", "run", "--source", "synthetic", "--no-monitor"],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        until = time.monotonic() + 60
        while (asked := bridge("arm", "--pid", running.pid)).stderr.startswith("Error: no daemon"):
            assert time.monotonic() < until, asked.stderr
        assert asked.returncode == 1
        assert "dry run" in asked.stderr or "still starting" in asked.stderr
    finally:
        running.terminate()
        running.communicate(timeout=20)


def test_every_detector_that_suits_is_heard_without_rules() -> None:
    kinds = assembly.all_kinds({"": StreamInfo((Channel("chest", "ecg", "uV"),), 250.0)})
    assert "heartbeat" in kinds
    assert "blink" not in kinds
    slow = assembly.all_kinds({"": StreamInfo((Channel("chest", "ecg", "uV"),), 50.0)})
    assert "heartbeat" not in slow


def test_what_excludes_each_other(rules: Path) -> None:
    for options, words in (
        (("--source", "synthetic", "--replay", "a.csv"), "exclude each other"),
        (("--source", "/dev/none", "--fast"), "--fast needs"),
        (("--channel", "a"), "--source or --replay"),
    ):
        done = bridge("run", rules, *options)
        assert done.returncode == 2
        assert words in done.stderr


def test_a_profile_that_is_not_there_yet_is_made_on_the_page(tmp_path: Path) -> None:
    wanted = ("run", "--source", "synthetic", "--for", 1, "--profile", tmp_path / "new.yaml")
    done = bridge(*wanted)
    assert done.returncode == 0, done.stderr
    assert "new.yaml is not there yet: the page makes it" in done.stderr
    for option in ("--fast", "--no-monitor"):
        done = bridge(*wanted, option)
        assert done.returncode == 2
        assert "no page to make it on" in done.stderr


def test_cautions_come_first_where_a_board_is_met_and_nowhere_else(board: str, tmp_path: Path) -> None:
    words = "Electrodes on the body: run on battery"
    channels = ("--channel", "a", "--channel", "b", "--kind", "emg")
    for command in (
        ("check", "--source", board, *channels, "--for", 2),
        ("record", tmp_path / "a.edf", "--source", board, *channels, "--rate", 100, "--for", 1),
        ("run", "--source", board, *channels, "--rate", 100, "--for", 1, "--no-monitor"),
    ):
        assert words in bridge(*command).stderr, command
    for made_up in (
        ("check", "--source", "synthetic", "--fast", "--for", 2),
        ("record", tmp_path / "b.edf", "--source", "synthetic", "--fast", "--for", 1),
        ("run", "--source", "synthetic", "--fast", "--for", 1),
    ):
        assert words not in bridge(*made_up).stderr, made_up

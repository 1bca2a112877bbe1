"""stdout and stderr of the daemon: whoever reads them, or no longer does, control goes on and SIGTERM ends it."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

RULES = """
version: 1
source: {{type: synthetic, seed: 4}}
outputs:
  sound: {{type: osc, host: 127.0.0.1, port: {port}}}
rules:
  - name: Beat
    when: {{event: heartbeat}}
    then: {{send: {{output: sound, address: /beat}}}}
levels:
  - {{level: contraction-level, every: 50 ms, then: {{send: {{output: sound, address: /squeeze, arguments: ["{{value}}"]}}}}}}
"""
START_S = 30.0


@contextmanager
def receiver() -> Iterator[socket.socket]:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as ear:
        ear.bind(("127.0.0.1", 0))
        ear.settimeout(START_S)
        yield ear


@contextmanager
def daemon(folder: Path, ear: socket.socket, stdout: int, stderr: int) -> Iterator[subprocess.Popen[bytes]]:
    rules = folder / "rules.yaml"
    rules.write_text(RULES.format(port=ear.getsockname()[1]))
    process = subprocess.Popen(
        [sys.executable, "-m", "bridge", "run", rules, "--json", "--no-monitor", "--verbose"],
        stdout=stdout,
        stderr=stderr,
        env={**os.environ, "XDG_RUNTIME_DIR": str(folder)},
    )
    try:
        yield process
    finally:
        process.kill()
        process.wait()


def beats(ear: socket.socket, count: int) -> None:
    """Wait for so many beats; fails by a time-out."""
    while count:
        count -= b"/beat" in ear.recv(2000)


def full_pipe() -> tuple[int, int]:
    """A pipe that nobody reads and that holds no more byte."""
    reading, writing = os.pipe()
    os.set_blocking(writing, False)
    while True:
        try:
            os.write(writing, b"x" * 4096)
        except BlockingIOError:
            break
    os.set_blocking(writing, True)
    return reading, writing


@pytest.mark.parametrize("stream", ["stdout", "stderr", "both"])
def test_a_stalled_reader_neither_stops_control_nor_sigterm(stream: str, tmp_path: Path) -> None:
    """As a paused terminal does, or a pager: nothing more can be written."""
    reading, stalled = full_pipe()
    with receiver() as ear, (tmp_path / "other").open("wb") as other:
        out = stalled if stream != "stderr" else other.fileno()
        err = stalled if stream != "stdout" else other.fileno()
        with daemon(tmp_path, ear, out, err) as process:
            beats(ear, 5)
            process.send_signal(signal.SIGTERM)
            assert process.wait(10) == 0
    os.close(reading)
    os.close(stalled)


def test_what_waited_for_a_stalled_reader_is_printed_when_it_reads_again(tmp_path: Path) -> None:
    reading, stalled = full_pipe()
    with (
        receiver() as ear,
        (tmp_path / "log").open("wb") as log,
        daemon(tmp_path, ear, stalled, log.fileno()) as process,
    ):
        beats(ear, 2)
        time.sleep(12)  # 20 levels a second
        os.close(stalled)
        text = b""
        process.send_signal(signal.SIGTERM)
        while part := os.read(reading, 65536):
            text += part
        assert process.wait(10) == 0
    os.close(reading)
    assert b'"heartbeat"' in text  # what was kept while it stalled
    lines = text.lstrip(b"x").splitlines()
    assert all(line.startswith(b"{") and line.endswith(b"}") for line in lines), lines[:2]
    if b"lines were not printed" in (tmp_path / "log").read_bytes():
        assert len(lines) >= 100


@pytest.mark.parametrize("gone", ["closed pipe", "full disk"])
def test_an_output_that_takes_nothing_more_does_not_end_control(gone: str, tmp_path: Path) -> None:
    if gone == "full disk":
        out = os.open("/dev/full", os.O_WRONLY)
    else:
        reading, out = os.pipe()
        os.close(reading)
    with (
        receiver() as ear,
        (tmp_path / "log").open("wb") as log,
        daemon(tmp_path, ear, out, log.fileno()) as process,
    ):
        os.close(out)
        beats(ear, 5)
        process.send_signal(signal.SIGTERM)
        assert process.wait(10) == 0
    said = (tmp_path / "log").read_text()
    assert said.count("stdout takes nothing more") == 1, said
    assert "Traceback" not in said


def test_a_fast_replay_prints_every_line_however_slow_its_reader_is(tmp_path: Path) -> None:
    """Nobody is controlled by a fast replay's clock: it waits for its reader, as any filter does."""
    with receiver() as ear:
        rules = tmp_path / "rules.yaml"
        rules.write_text(RULES.format(port=ear.getsockname()[1]))
        process = subprocess.Popen(
            [sys.executable, "-m", "bridge", "run", rules, "--fast", "--for", "120", "--json", "--dry-run"],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
        )
        time.sleep(5)
        out, err = process.communicate(timeout=60)
    assert process.returncode == 0, err
    levels = out.count(b'"/squeeze"')
    assert levels >= 120 * 18, levels
    assert b"not printed" not in err


def test_detect_ends_when_its_reader_has_gone(tmp_path: Path) -> None:
    rate, seconds = 200, 300
    file = tmp_path / "flat.csv"
    blink = [0.0] * 180 + [300.0 * (1 - abs(k - 10) / 10) for k in range(20)]
    file.write_text("vertical\n" + "".join(f"{blink[n % 200]}\n" for n in range(rate * seconds)))
    reading, writing = os.pipe()
    process = subprocess.Popen(
        [
            sys.executable,
            "-m",
            "bridge",
            "detect",
            file,
            "--detector",
            "blink",
            "--rate",
            "200",
            "--channel",
            "vertical",
            "--kind",
            "eog-vertical",
            "--json",
        ],
        stdout=writing,
        stderr=subprocess.PIPE,
    )
    os.close(writing)
    os.close(reading)
    _, err = process.communicate(timeout=60)
    assert b"Traceback" not in err
    assert process.returncode in (0, 1)

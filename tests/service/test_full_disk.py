"""A daemon whose disk fills up while it records: control goes on, and every place says what happened."""

from __future__ import annotations

import json
import resource
import signal
import subprocess
import sys
import urllib.request
from pathlib import Path

import pyedflib
import pytest

from tests.components import until

RULES = """
version: 1
source: {type: synthetic, seed: 4}
outputs:
  sound: {type: osc, host: 127.0.0.1, port: 9}
rules:
  - name: Beat
    when: {event: heartbeat}
    then: {send: {output: sound, address: /beat}}
"""


def _no_file_larger_than(size: int) -> None:
    """The kernel refuses what goes beyond, as it does on a full disk, and takes a part of it first."""
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, size))


def test_status_page_summary_and_exit_code_tell_of_a_full_disk(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    rules, out, log = tmp_path / "rules.yaml", tmp_path / "day.edf", tmp_path / "log"
    rules.write_text(RULES)
    with log.open("wb") as err:
        process = subprocess.Popen(
            [sys.executable, "-m", "bridge", "run", rules, "--record", out],
            stdout=subprocess.DEVNULL,
            stderr=err,
            preexec_fn=lambda: _no_file_larger_than(15_000),
        )
    try:
        until(lambda: "recording stopped" in log.read_text(), "the full disk", 40.0)
        asked = subprocess.run(
            [sys.executable, "-m", "bridge", "status", "--json"], capture_output=True, text=True, timeout=30
        )
        recording = json.loads(asked.stdout)["recording"]
        assert recording["file"] == str(out)
        assert "cannot be written on" in recording["problem"]
        words = subprocess.run(
            [sys.executable, "-m", "bridge", "status"], capture_output=True, text=True, timeout=30
        )
        assert "ended early" in words.stdout
        link = next(word for word in log.read_text().split() if word.startswith("http://"))
        with urllib.request.urlopen(link.replace("/?", "/status?"), timeout=10) as answer:
            assert json.load(answer)["recording_problem"] == recording["problem"]
        assert process.poll() is None
        process.send_signal(signal.SIGTERM)
        assert process.wait(10) == 1
    finally:
        process.kill()
        process.wait()
    assert "the recording ended early" in log.read_text().splitlines()[-1]
    with pyedflib.EdfReader(str(out)) as reader:
        assert reader.datarecords_in_file >= 2

"""`status` tells how a board's clock runs against this computer's: a port whose board is too fast by a known part."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import threading
import time
import tty
from pathlib import Path

import pytest

from tests.components import end

COMMAND = [sys.executable, "-m", "bridge"]
STATED_HZ = 250.0
TRUE_HZ = 252.0  # 8000 ppm too fast: far beyond what this computer's own lateness adds in ten seconds
RULES = """
version: 1
source: {{type: serial, port: {port}, rate: 250, channels: [{{name: chest, kind: ecg}}]}}
outputs:
  keys: {{type: keystrokes}}
rules:
  - {{name: Beat, when: {{event: heartbeat}}, then: {{press: a}}}}
"""


def test_a_fast_board_is_told_in_words_and_as_json(tmp_path: Path) -> None:
    board, slave = os.openpty()
    tty.setraw(slave)
    rules = tmp_path / "rules.yaml"
    rules.write_text(RULES.format(port=os.ttyname(slave)))
    environment = {**os.environ, "XDG_RUNTIME_DIR": str(tmp_path), "XDG_CONFIG_HOME": str(tmp_path)}
    stop = threading.Event()

    def print_lines() -> None:
        begun = time.monotonic()
        number = 0
        while not stop.wait(max(0.0, begun + number / TRUE_HZ - time.monotonic())):
            os.write(board, b"%d\r\n" % (500 + 100 * (number // 50 % 2)))
            number += 1

    printing = threading.Thread(target=print_lines)
    daemon = subprocess.Popen(
        [*COMMAND, "run", str(rules), "--no-monitor", "--dry-run"],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        env=environment,
    )
    printing.start()

    def status(*options: str) -> str:
        asked = [*COMMAND, "status", *options]
        return subprocess.run(asked, env=environment, capture_output=True, text=True, check=False).stdout

    try:
        drift_ppm = 0.0
        until_s = time.monotonic() + 40
        while time.monotonic() < until_s and not 7000 < drift_ppm < 9000:
            time.sleep(1.0)
            clocks = json.loads(status("--json") or '{"clocks": {}}')["clocks"]
            drift_ppm = clocks.get("", {"drift_ppm": 0.0})["drift_ppm"]
        # What was put in: 252 to 250 is 8000 parts in a million.
        assert drift_ppm == pytest.approx((TRUE_HZ / STATED_HZ - 1) * 1e6, abs=1000)
        line = next(line for line in status().splitlines() if line.startswith("clock"))
        told = re.fullmatch(r"clock\s+([\d.]+) Hz, \+(\d+) ppm, jitter ([\d.]+) ms", line)
        assert told, line
        assert float(told[1]) == pytest.approx(TRUE_HZ, abs=0.3)
        assert int(told[2]) == pytest.approx(8000, abs=1000)
        assert 0 <= float(told[3]) < 1000
    finally:
        stop.set()
        printing.join()
        end(daemon)
        os.close(board)
        os.close(slave)

"""Eight hours of signal through the whole daemon, as fast as it goes: does memory stay, do descriptors?

    python -m tests.bench.eight_hours [--hours 8] [--json OUT]

The stream is the synthetic person's, with all outputs. Memory is read from /proc as the stream goes by. Exit status 1 when it grew by more than 5 MB
after the first ten minutes of stream, or descriptors grew.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

from tests.components import Broker, free_port

RULES = """
version: 1
source: {{type: synthetic, seed: 5}}
outputs:
  keys: {{type: keystrokes}}
  lamp: {{type: mqtt, host: 127.0.0.1, port: {mqtt}}}
  sound: {{type: osc, host: 127.0.0.1, port: {osc}}}
rules:
  - {{name: Blink, when: {{event: blink}}, then: {{press: Space}}}}
  - {{name: Two, when: {{event: blink, times: 2, within: 700 ms}}, then: {{press: PageDown}}}}
  - {{name: Left, when: {{event: gaze-left}}, then: {{send: {{output: sound, address: /left, arguments: [1]}}}}}}
  - {{name: Squeeze, when: {{event: contraction}}, then: {{hold: Enter}}}}
  - {{name: Beat, when: {{event: heartbeat}}, then: {{publish: {{output: lamp, topic: lab/heart}}}}}}
levels:
  - {{level: heart-rate, every: 1 s, then: {{send: {{output: sound, address: /rate, arguments: ["{{value}}"]}}}}}}
"""
COMMAND = [sys.executable, "-m", "bridge", "run"]
MOST_GROWTH_MB = 5.0
FIRST_S = 600.0


def resident_mb(pid: int) -> float:
    text = Path(f"/proc/{pid}/status").read_text()
    return int(next(line.split()[1] for line in text.splitlines() if line.startswith("VmRSS"))) / 1024


def descriptors(pid: int) -> int:
    return len(list(Path(f"/proc/{pid}/fd").iterdir()))


def watch(daemon: subprocess.Popen[str], every_s: float) -> list[dict[str, float]]:
    """Memory and descriptors whenever so much of the stream has gone by."""
    rows: list[dict[str, float]] = []
    due_s = FIRST_S
    assert daemon.stdout is not None
    for line in daemon.stdout:
        said = json.loads(line)
        time_s = said.get("decided", said.get("time", 0.0))
        if time_s >= due_s:
            rows.append(
                {
                    "stream_s": round(time_s),
                    "resident_mb": round(resident_mb(daemon.pid), 2),
                    "descriptors": descriptors(daemon.pid),
                }
            )
            print(rows[-1], file=sys.stderr, flush=True)
            due_s += every_s
    return rows


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--hours", type=float, default=8.0)
    parser.add_argument("--json", type=Path)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder_name:
        folder = Path(folder_name)
        broker = Broker.make(folder / "broker").start()
        rules = folder / "rules.yaml"
        rules.write_text(RULES.format(mqtt=broker.port, osc=free_port()))
        with (folder / "log").open("w") as log:
            daemon = subprocess.Popen(
                [
                    *COMMAND,
                    str(rules),
                    "--fast",
                    "--for",
                    str(options.hours * 3600),
                    "--no-monitor",
                    "--json",
                ],
                stdout=subprocess.PIPE,
                stderr=log,
                text=True,
            )
            rows = watch(daemon, options.hours * 3600 / 48)
            status = daemon.wait()
        said = (folder / "log").read_text().splitlines()[-1]
        broker.stop()
    growth_mb = max(row["resident_mb"] for row in rows) - rows[0]["resident_mb"]
    more = max(row["descriptors"] for row in rows) - rows[0]["descriptors"]
    report: dict[str, Any] = {
        "hours": options.hours,
        "exit_status": status,
        "resident_mb_after_10_min": rows[0]["resident_mb"],
        "growth_mb_after_10_min": round(growth_mb, 2),
        "more_descriptors": more,
        "last_line": said,
        "course": rows,
    }
    print(json.dumps({key: value for key, value in report.items() if key != "course"}, indent=2))
    if options.json:
        options.json.write_text(json.dumps(report, indent=2) + "\n")
    return int(status != 0 or growth_mb > MOST_GROWTH_MB or more > 0)


if __name__ == "__main__":
    sys.exit(main())

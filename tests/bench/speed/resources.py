"""Start-up time and memory: ``python -m tests.bench.speed.resources [--hours 8] [--json OUT]``.

The daemon is that of the compiled wheel. Start-up is from the start of the process to where it reads the lines of a
port; the median of some, after a first that warms the file cache. Memory is read from /proc while a recording of so
many hours, the synthetic person's four channels as EDF, is replayed as fast as it goes, with all four detectors.
"""

from __future__ import annotations

import argparse
import fcntl
import json
import os
import struct
import subprocess
import sys
import tempfile
import termios
import threading
import time
import tty
from pathlib import Path
from statistics import median
from typing import Any

import edfio
import numpy as np

from bridge.sources.person import SyntheticPerson
from tests.bench.eight_hours import resident_mb
from tests.bench.speed.latency import Load, daemon_environment
from tests.components import end, free_port
from tests.wheel import unpack_compiled

MOST_S = 1.5
MOST_MB = 130.0


def start_up_s(folder: Path, root: Path) -> float:
    """From the process's start to when the lines that wait at the port, a new one every 4 ms, are being read."""
    board, slave = os.openpty()
    tty.setraw(slave)
    load = Load()
    rules, log = folder / "start.yaml", folder / "start.log"
    rules.write_text(load.rules(os.ttyname(slave), "osc", free_port(), 1))
    stop = threading.Event()

    def print_lines() -> None:
        while not stop.wait(0.004):
            if waiting() < 2000:
                os.write(board, b"512,512,512,512\r\n")

    def waiting() -> int:
        return int(struct.unpack("i", fcntl.ioctl(slave, termios.FIONREAD, b"\0\0\0\0"))[0])

    printing = threading.Thread(target=print_lines)
    printing.start()
    begun = time.perf_counter()
    with log.open("wb") as stderr:
        daemon = subprocess.Popen(
            [sys.executable, "-m", "bridge", "run", str(rules), "--no-monitor"],
            stdout=subprocess.DEVNULL,
            stderr=stderr,
            cwd=folder,
            env=daemon_environment(folder, root),
        )
    try:
        # The port is emptied once more when it has been opened; what counts are the lines after that.
        while not (b"source: " in log.read_bytes() and waiting() < 20):
            if time.perf_counter() - begun > 20:
                raise SystemExit("the daemon read nothing")
            time.sleep(0.001)
        return time.perf_counter() - begun
    finally:
        stop.set()
        printing.join()
        end(daemon)
        os.close(board)
        os.close(slave)


def write_recording(file: Path, hours: float) -> None:
    """So much of the synthetic person as EDF, an hour over and over."""
    person = SyntheticPerson(3, 250.0)
    hour = np.concatenate([person.generate(60 * 250) for _ in range(60)])
    names = ("Fp1", "horizontal", "emg", "ecg")  # that say what they carry
    signals = [
        edfio.EdfSignal(np.resize(x, round(hours * len(x))), 250, label=name, physical_dimension="uV")
        for name, x in zip(names, hour.T, strict=True)
    ]
    edfio.Edf(signals).write(file)


def replayed(folder: Path, root: Path, hours: float) -> dict[str, Any]:
    """Memory at each tenth of the replay, and how fast it went."""
    file = folder / "long.edf"
    write_recording(file, hours)
    rules = Load().rules("/dev/null", "osc", free_port(), 1)
    (folder / "long.yaml").write_text("\n".join(line for line in rules.splitlines() if "source:" not in line))
    begun = time.perf_counter()
    daemon = subprocess.Popen(
        [sys.executable, "-m", "bridge", "run", str(folder / "long.yaml"), "--replay", str(file),
         "--fast", "--no-monitor", "--json"],
        stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
        cwd=folder, env=daemon_environment(folder, root),
    )  # fmt: skip
    rows: list[dict[str, float]] = []
    assert daemon.stdout is not None
    for line in daemon.stdout:
        said = json.loads(line)
        at_s = said.get("decided", said.get("time", 0.0))
        if at_s >= (len(rows) + 1) * hours * 360:
            rows.append({"stream_s": round(at_s), "resident_mb": round(resident_mb(daemon.pid), 1)})
    if daemon.wait() != 0:
        raise SystemExit("the replay failed")
    taken = time.perf_counter() - begun
    return {"resident_mb": rows, "hours": hours, "times_real_time": hours * 3600 / taken}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--hours", type=float, default=8.0)
    parser.add_argument("--wheel", type=Path, help="a compiled wheel that is unpacked already")
    parser.add_argument("--json", type=Path)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        root = options.wheel or unpack_compiled(folder)
        starts = [start_up_s(folder, root) for _ in range(6)][1:]
        told = {"start_up_s": median(starts), **replayed(folder, root, options.hours)}
    most = max(row["resident_mb"] for row in told["resident_mb"])
    told["ratios"] = {
        "start to the first bytes read, to 1.5 s (target 1)": told["start_up_s"] / MOST_S,
        "most memory, to 130 MB (target 1)": most / MOST_MB,
    }
    print(json.dumps(told, indent=1))
    if options.json:
        options.json.write_text(json.dumps(told, indent=1) + "\n")


if __name__ == "__main__":
    main()

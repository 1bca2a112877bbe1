"""Heartbeats in an hour of ECG: ``python -m tests.bench.speed.throughput [--turns 5] [--json OUT]``.

Record 100 of the MIT-BIH Arrhythmia Database (``BRIDGE_DATA`` names the folder of recordings), resampled to 250 Hz and
repeated to an hour, lies in memory; each detector works through it, in turns, in one process. Then as commands, each a
process of its own that reads the hour from a CSV file and prints the beats: ``detect --detector heartbeat --json``, and
the shortest script for each of the libraries.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from statistics import median
from typing import Any

import numpy as np
from scipy.signal import resample_poly

from bridge.evaluation.running import bind_detector, run
from bridge.recordings import ChannelChoice, read
from bridge.signals.types import Samples
from tests.bench.speed.stages import machine

RATE_HZ = 250
SCRIPTS = {
    "neurokit2": "import sys, numpy as np, neurokit2 as nk\n"
    "x = np.loadtxt(sys.argv[1], skiprows=1)\n"
    "print(*nk.ecg_peaks(nk.ecg_clean(x, 250), 250)[1]['ECG_R_Peaks'], sep='\\n')",
    "sleepecg": "import sys, numpy as np, sleepecg\n"
    "x = np.loadtxt(sys.argv[1], skiprows=1)\n"
    "print(*sleepecg.detect_heartbeats(x, 250), sep='\\n')",
}
HOUR_S = 3600


def an_hour() -> Samples:
    recording = read(
        Path(os.environ["BRIDGE_DATA"]) / "ecg" / "100.hea", channels=[ChannelChoice("MLII", "ecg")]
    )
    ecg = np.concatenate([block.samples[:, 0] for block in recording.blocks(4096)])
    slow = resample_poly(ecg, RATE_HZ, round(recording.info.rate))
    return np.resize(slow, HOUR_S * RATE_HZ)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--turns", type=int, default=5)
    parser.add_argument("--json", type=Path)
    options = parser.parse_args()
    import neurokit2
    import sleepecg

    ecg = an_hour()
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "hour.csv"
        np.savetxt(file, ecg, "%.3f", header="chest", comments="")
        recording = read(file, rate=float(RATE_HZ), channels=[ChannelChoice("chest", "ecg")])
        (binding,) = bind_detector(recording, "heartbeat")

        def ours() -> int:
            return sum(event.kind == "heartbeat" for event in run(recording, binding).events)

        def neurokit() -> int:
            clean = neurokit2.ecg_clean(ecg, sampling_rate=RATE_HZ)
            return len(neurokit2.ecg_peaks(clean, sampling_rate=RATE_HZ)[1]["ECG_R_Peaks"])

        def sleepecg_() -> int:
            return len(sleepecg.detect_heartbeats(ecg, RATE_HZ))

        def command() -> int:
            arguments = [
                str(file),
                "--rate",
                str(RATE_HZ),
                "--kind",
                "ecg",
                "--detector",
                "heartbeat",
                "--json",
            ]
            done = subprocess.run(
                [sys.executable, "-m", "bridge", "detect", *arguments], capture_output=True, check=True
            )
            return done.stdout.count(b'"heartbeat", "edge"')

        def script(name: str) -> int:
            done = subprocess.run(
                [sys.executable, "-c", SCRIPTS[name], str(file)], capture_output=True, check=True
            )
            return done.stdout.count(b"\n")

        ways: dict[str, Callable[[], int]] = {
            "heartbeat detector": ours,
            "neurokit2, default": neurokit,
            "sleepecg, compiled": sleepecg_,
            "command: detect": command,
            "command: neurokit2": lambda: script("neurokit2"),
            "command: sleepecg": lambda: script("sleepecg"),
        }
        taken: dict[str, list[float]] = {name: [] for name in ways}
        beats: dict[str, int] = {}
        for turn in range(options.turns + 1):
            for name, way in ways.items():
                begun = time.perf_counter()
                beats[name] = way()
                if turn:  # the first is for caches and imports
                    taken[name].append(time.perf_counter() - begun)
    seconds = {name: median(values) for name, values in taken.items()}
    told: dict[str, Any] = {
        "machine": machine(),
        "ways": {
            name: {"seconds": seconds[name], "hours_a_second": 1 / seconds[name], "beats": beats[name]}
            for name in ways
        },
        "ratios": {
            "the command `detect` to neurokit2's default (target 1)": seconds["command: detect"]
            / seconds["command: neurokit2"],
            "the command `detect` to sleepecg's (target 5)": seconds["command: detect"]
            / seconds["command: sleepecg"],
            "in memory, to neurokit2's default": seconds["heartbeat detector"]
            / seconds["neurokit2, default"],
            "in memory, to sleepecg's": seconds["heartbeat detector"] / seconds["sleepecg, compiled"],
        },
    }
    print(json.dumps(told, indent=1))
    if options.json:
        options.json.write_text(json.dumps(told, indent=1) + "\n")


if __name__ == "__main__":
    main()

"""From a byte on the port to a datagram: a plain C reader, a bare asyncio reader and the whole daemon, in one run.

    python -m tests.bench.speed.latency [--seconds 30] [--json OUT]

A pseudo-terminal carries four channels of text at 250 Hz, one of each kind. The readers send a datagram for every
line. The daemon runs all four detectors and twenty rules, and sends the contraction level by OSC every 12 ms, each
at once with the line that completes it. Latency is from the write of the line to the datagram's arrival;
processor time is user and system time of the process, from /proc. Only ratios within one run mean anything.
"""

from __future__ import annotations

import argparse
import json
import os
import select
import socket
import subprocess
import sys
import tempfile
import threading
import time
import tty
from bisect import bisect_right
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from tests.components import end, until

HERE = Path(__file__).resolve().parent
RATE_HZ = 250
SETTLE_S = 6.0

HEAD = """
version: 1
source:
  type: serial
  port: {port}
  baud: 115200
  rate: 250
  channels:
    - {{name: forehead, kind: eeg}}
    - {{name: horizontal, kind: eog-horizontal}}
    - {{name: forearm, kind: emg}}
    - {{name: chest, kind: ecg}}
outputs:
  sound: {{type: osc, host: 127.0.0.1, port: {udp}, most_per_second: 10000}}
detectors:
  - {{detector: contraction, settings: {{level_every_ms: 12}}}}
  - {{detector: blink}}
  - {{detector: gaze}}
  - {{detector: heartbeat}}
levels:
  - {{level: contraction-level, every: 10 ms, then: {{send: {{address: /x, arguments: ["{{value}}"]}}}}}}
rules:
"""
EVENTS = ("blink", "gaze-left", "gaze-right", "contraction", "heartbeat")
# Rules for all detectors; none of them sends anything, for they wait for twenty events in a second.
RULES = "".join(
    f"  - {{name: R{number}, when: {{event: {EVENTS[number % 5]}, times: 20, within: 1 s}}, "
    "then: {send: {address: /never, arguments: [1]}}}\n"
    for number in range(20)
)


def lines(seconds: float) -> list[bytes]:
    """The synthetic person's four channels as a board would print them."""
    from bridge.sources.person import SyntheticPerson

    samples = SyntheticPerson(2, float(RATE_HZ)).generate(round(seconds * RATE_HZ))
    return [",".join(f"{value:.1f}" for value in row).encode() + b"\r\n" for row in samples]


def processor_s(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def measure(
    start: Callable[[str, int], subprocess.Popen[bytes]], seconds: float, text: list[bytes]
) -> dict[str, float]:
    board, slave = os.openpty()
    tty.setraw(slave)
    udp = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    udp.bind(("127.0.0.1", 0))
    udp.setblocking(False)
    process = start(os.ttyname(slave), udp.getsockname()[1])
    written: list[float] = []
    arrived: list[float] = []
    stop = threading.Event()

    def receive() -> None:
        while not stop.is_set():
            if select.select([udp], [], [], 0.2)[0]:
                udp.recv(2048)
                arrived.append(time.perf_counter())

    receiver = threading.Thread(target=receive)
    receiver.start()
    begun = time.perf_counter()
    before_s = 0.0
    for number, line in enumerate(text):
        time.sleep(max(0.0, begun + number / RATE_HZ - time.perf_counter()))
        if number == round(SETTLE_S * RATE_HZ):
            before_s = processor_s(process.pid)
        written.append(time.perf_counter())
        os.write(board, line)
    used_s = processor_s(process.pid) - before_s
    time.sleep(0.2)
    stop.set()
    receiver.join()
    end(process)
    for number in (board, slave):
        os.close(number)
    udp.close()
    from_s = begun + SETTLE_S
    # A datagram is caused by the line that was written last before it; after the last line the daemon goes on by
    # its own clock until it counts the signal as lost.
    caused = [at for at in arrived if from_s < at < written[-1] + 1 / RATE_HZ]
    delays = [at - written[bisect_right(written, at) - 1] for at in caused]
    if not delays:
        raise SystemExit("no datagram came")
    micro = np.array(delays) * 1e6
    return {
        "datagrams": len(delays),
        "median_us": float(np.median(micro)),
        "p99_us": float(np.quantile(micro, 0.99)),
        "p999_us": float(np.quantile(micro, 0.999)),
        "processor_percent": 100 * used_s / (seconds - SETTLE_S),
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=30.0)
    parser.add_argument("--json", type=Path)
    options = parser.parse_args()
    text = lines(options.seconds)
    with tempfile.TemporaryDirectory() as folder_name:
        folder = Path(folder_name)
        reader = folder / "reader"
        subprocess.run(["gcc", "-O2", "-o", str(reader), str(HERE / "reader.c")], check=True)
        environment = {**os.environ, "XDG_RUNTIME_DIR": str(folder), "XDG_CONFIG_HOME": str(folder)}

        def c(port: str, udp: int) -> subprocess.Popen[bytes]:
            return subprocess.Popen([str(reader), port, str(udp)])

        def bare(port: str, udp: int) -> subprocess.Popen[bytes]:
            return subprocess.Popen([sys.executable, str(HERE / "asyncio_reader.py"), port, str(udp)])

        def daemon(port: str, udp: int) -> subprocess.Popen[bytes]:
            rules = folder / "rules.yaml"
            rules.write_text(HEAD.format(port=port, udp=udp) + RULES)
            log = folder / "log"
            with log.open("wb") as stderr:
                made = subprocess.Popen(
                    [sys.executable, "-m", "bridge", "run", str(rules), "--no-monitor"],
                    stdout=subprocess.DEVNULL,
                    stderr=stderr,
                    env=environment,
                )
            until(lambda: "keystrokes are" in log.read_text() or made.poll() is not None, log.read_text(), 10)
            return made

        results: dict[str, Any] = {}
        for name, start in (("C reader", c), ("asyncio reader", bare), ("daemon", daemon)):
            results[name] = measure(start, options.seconds, text)
            print(name, {key: round(value, 1) for key, value in results[name].items()}, flush=True)
    ours, limit, plain = results["daemon"], results["C reader"], results["asyncio reader"]
    results["ratios"] = {
        "median to the C reader's (target 5)": ours["median_us"] / limit["median_us"],
        "p99 to the asyncio reader's (target 3)": ours["p99_us"] / plain["p99_us"],
        "processor to the asyncio reader's (target 2.5)": ours["processor_percent"]
        / plain["processor_percent"],
    }
    print(json.dumps(results["ratios"], indent=2))
    if options.json:
        options.json.write_text(json.dumps(results, indent=2) + "\n")


if __name__ == "__main__":
    main()

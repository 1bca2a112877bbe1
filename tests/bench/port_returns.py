"""A cable pulled and put back fifty times: ``python -m tests.bench.port_returns [--count 50] [--json OUT]``.

A board that speaks the firmware's frames on a pseudo-terminal, the serial source, and the recorder. Exit
status 1 when the stream took more than 2 s to resume, descriptors or memory grew, or the recording lacks a
sample that arrived.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import sys
import tempfile
import time
from pathlib import Path
from statistics import median
from typing import Any

from bridge.recordings import read
from bridge.recordings.recorder import Recorder
from bridge.signals.types import Block
from bridge.sources.serial import SerialSource
from bridge.sources.wiring import Wire
from tests.acting_board import ActingBoard

LONGEST_S = 2.0


def resident_mb() -> float:
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 2**20


async def pull_and_return(folder: Path, count: int) -> dict[str, Any]:
    board = ActingBoard(folder / "port")
    board.plug_in()
    source = SerialSource([Wire("arm", "emg")], port=str(board.link))
    info = await source.open()
    recorder = Recorder(folder / "all.edf")
    recorder.opened({"": info})
    arrived = 0
    last_s = 0.0

    def take(block: Block) -> None:
        nonlocal arrived, last_s
        arrived += len(block)
        last_s = time.monotonic()
        recorder.block("", block)

    reader = asyncio.ensure_future(source.run(take))
    await asyncio.sleep(1.0)
    took_s: list[float] = []
    courses: list[tuple[int, float]] = []
    for number in range(count):
        board.pull()
        await asyncio.sleep(0.3 if number % 5 else 1.5)
        back_s = time.monotonic()
        board.plug_in()
        while last_s < back_s and time.monotonic() < back_s + 10:
            await asyncio.sleep(0.005)
        took_s.append(time.monotonic() - back_s)
        await asyncio.sleep(0.3)
        courses.append((len(os.listdir("/proc/self/fd")), resident_mb()))
        print(f"{number + 1}: {took_s[-1] * 1e3:.0f} ms", file=sys.stderr)
    reader.cancel()
    await asyncio.gather(reader, return_exceptions=True)
    await source.close()
    recorder.closed()
    board.pull()
    held = read(folder / "all.edf")
    settled = courses[len(courses) // 5]
    return {
        "returns": count,
        "median_ms": round(median(took_s) * 1e3),
        "max_ms": round(max(took_s) * 1e3),
        "reconnects": source.counts.reconnects,
        "samples_arrived": arrived,
        "samples_recorded": held.samples,
        "gaps_recorded": len(held.segments) - 1,
        "more_descriptors": courses[-1][0] - settled[0],
        "memory_growth_mb": round(courses[-1][1] - settled[1], 2),
    }


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=50)
    parser.add_argument("--json", type=Path)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        told = asyncio.run(pull_and_return(Path(folder), options.count))
    print(json.dumps(told, indent=2))
    if options.json:
        options.json.write_text(json.dumps(told, indent=2) + "\n")
    whole = told["samples_recorded"] == told["samples_arrived"] and told["reconnects"] == options.count
    flat = told["more_descriptors"] <= 0 and told["memory_growth_mb"] < 5
    return int(not (whole and flat and told["max_ms"] <= LONGEST_S * 1e3))


if __name__ == "__main__":
    sys.exit(main())

"""Every event and level of every detector on the real recordings: did a change for speed change any?

    python -m tests.bench.speed.events OUT.json     (BRIDGE_DATA names the folder of recordings)

Two such files, of two revisions, are compared with ``cmp``.
"""

from __future__ import annotations

import json
import os
import sys
from dataclasses import asdict
from pathlib import Path
from typing import Any

from bridge.detectors import DETECTORS
from bridge.pipeline import DetectionChain, Wanted, bind, can_bind
from bridge.recordings import ChannelChoice, read
from bridge.signals.types import Block

# One sample at a time, as at 32 ms, and as `detect` reads; the short ones over the first part only.
BLOCKS = ((1, 20.0), (8, 60.0), (4096, None))


def detections(path: Path, size: int, seconds: float | None) -> list[dict[str, Any]]:
    rings = [ChannelChoice(f"ring{number}", "emg") for number in range(1, 9)] if "emg" in path.parts else None
    recording = read(path, channels=rings)
    wanted = [Wanted(name) for name in DETECTORS if can_bind(recording.info, name)]
    chain = DetectionChain(recording.info, bind(recording.info, wanted))
    found: list[Any] = []
    for whole in recording.blocks(4096):
        if seconds is not None and whole.first / recording.info.rate > seconds:
            break
        for start in range(0, len(whole), size):
            part = whole.samples[start : start + size]
            found.extend(chain.process(Block(part, whole.first + start, None)))
    found.extend(chain.flush())
    return [asdict(item) for item in found]


def main() -> None:
    folder = Path(os.environ["BRIDGE_DATA"])
    files = [p for p in sorted(folder.rglob("*")) if p.suffix in (".csv", ".hea")]
    told = {
        f"{path.relative_to(folder)} in blocks of {size}": detections(path, size, seconds)
        for path in files
        if ".reference" not in path.name and ".targets" not in path.name
        for size, seconds in BLOCKS
    }
    Path(sys.argv[1]).write_text(json.dumps(told, indent=0, default=str))
    print(f"{sum(map(len, told.values()))} detections in {len(told)} runs")


if __name__ == "__main__":
    main()

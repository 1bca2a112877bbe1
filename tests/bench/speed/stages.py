"""What each stage costs: ``python -m tests.bench.speed.stages [--seconds 60] [--turns 5] [--json OUT]``.

The synthetic person's four channels at 250 Hz through each stage by itself, a sample, 32 ms and a quarter of a
second at a time; all in one process, the stages in turn, so that they may be compared.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from statistics import median
from typing import Any

from bridge.detectors import DETECTORS
from bridge.pipeline import DetectionChain, Wanted, bind, can_bind
from bridge.rules.engine import Engine
from bridge.rules.loader import load
from bridge.signals.quality import ChannelQuality
from bridge.signals.types import Block, Event, Samples, StreamInfo
from bridge.sources.lines import LineDecoder
from bridge.sources.person import SyntheticPerson

BLOCKS = (1, 8, 64)


def engine(count: int) -> Engine:
    lines = [
        f"  - {{name: R{number}, when: {{event: blink, from: lead-{number}}}, then: {{press: a}}}}"
        for number in range(count)
    ]
    return Engine(
        load("version: 1\noutputs:\n  keys: {type: keystrokes}\nrules:\n" + "\n".join(lines) + "\n").rules
    )


def rules_stage(count: int) -> Callable[[], Callable[[Block], object]]:
    """An event at each block, as hard a case as there is."""

    def start() -> Callable[[Block], object]:
        rules = engine(count)

        def step(block: Block) -> object:
            at_s = block.end / 250
            actions = rules.process(Event("blink", "instant", at_s, at_s, "lead-0"))
            return actions, rules.advance(at_s)

        return step

    return start


def stages(info: StreamInfo) -> dict[str, Callable[[], Callable[[Block], object]]]:
    """For each stage a function that makes it anew and gives the step to be timed."""

    def chain(names: list[str]) -> Callable[[], Callable[[Block], object]]:
        return lambda: DetectionChain(info, bind(info, [Wanted(name) for name in names])).process

    def detector(name: str) -> Callable[[], Callable[[Block], object]]:
        def start() -> Callable[[Block], object]:
            made = [(bound.create(info), list(bound.columns)) for bound in bind(info, [Wanted(name)])]
            return lambda block: [
                one.process(Block(block.samples[:, columns], block.first)) for one, columns in made
            ]

        return start

    def quality() -> Callable[[Block], object]:
        all_ = [ChannelQuality(channel, info.rate) for channel in info.channels]
        return lambda block: [
            one.process(block.samples[:, column], block.first) for column, one in enumerate(all_)
        ]

    def parsing() -> Callable[[Block], object]:
        lines = LineDecoder()
        return lambda block: lines.feed(
            "".join(
                ",".join(f"{value:.2f}" for value in row) + "\n" for row in block.samples.tolist()
            ).encode()
        )

    usable = [name for name in DETECTORS if can_bind(info, name)]
    usual = [name for name in ("blink", "gaze", "contraction", "heartbeat") if name in usable]
    return {
        "text lines written and parsed": parsing,
        "signal check": quality,
        **{f"detector {name}": detector(name) for name in usable},
        "chain of the four usual detectors": chain(usual),
        "rules: 1": rules_stage(1),
        "rules: 100": rules_stage(100),
        "rules: 10000": rules_stage(10_000),
    }


def measure(info: StreamInfo, samples: Samples, turns: int) -> dict[str, dict[str, float]]:
    """µs a block, the median of some turns, by stage and block length."""
    made = stages(info)
    told: dict[str, dict[str, list[float]]] = {name: {str(size): [] for size in BLOCKS} for name in made}
    for turn in range(turns):
        for name, start in made.items():
            if sys.stderr.isatty():
                print(f"\rturn {turn + 1} of {turns}: {name:40s}", end="", file=sys.stderr)
            for size in BLOCKS:
                step = start()
                blocks = [
                    Block(samples[at : at + size], at)
                    for at in range(0, min(len(samples) - size, 2000 * size), size)
                ]
                begun = time.perf_counter()
                for block in blocks:
                    step(block)
                told[name][str(size)].append((time.perf_counter() - begun) / len(blocks) * 1e6)
    if sys.stderr.isatty():
        print("\r" + " " * 64 + "\r", end="", file=sys.stderr)
    return {name: {size: median(values) for size, values in sizes.items()} for name, sizes in told.items()}


def _processor() -> str:
    """The processor's name, as the system has it."""
    with suppress(OSError):
        for line in Path("/proc/cpuinfo").read_text().splitlines():
            if line.startswith("model name"):
                return line.partition(":")[2].strip()
    return platform.processor() or platform.machine()


def machine() -> dict[str, str]:
    """What the figures were measured on."""
    revision = subprocess.run(
        ["git", "rev-parse", "--short", "HEAD"], capture_output=True, text=True, check=False
    )
    return {
        "date": datetime.now(UTC).date().isoformat(),
        "processor": _processor(),
        "cores": str(os.cpu_count()),
        "python": platform.python_version(),
        "revision": revision.stdout.strip(),
    }


def table(costs: dict[str, dict[str, float]]) -> str:
    rows = [
        "| µs | " + " | ".join(f"block of {size}" for size in BLOCKS) + " | a sample, at 64 |",
        "| --- " * 5 + "|",
    ]
    for name, sizes in costs.items():
        rows.append(
            f"| {name} | " + " | ".join(f"{us:.1f}" for us in sizes.values()) + f" | {sizes['64'] / 64:.2f} |"
        )
    return "\n".join(rows)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--turns", type=int, default=5)
    parser.add_argument("--json", type=Path)
    options = parser.parse_args()
    person = SyntheticPerson(seed=1)
    samples = person.generate(round(options.seconds * person.info.rate))
    told: dict[str, Any] = {
        "machine": machine(),
        "us_per_block": measure(person.info, samples, options.turns),
    }
    print(table(told["us_per_block"]))
    if options.json:
        options.json.write_text(json.dumps(told, indent=1) + "\n")


if __name__ == "__main__":
    main()

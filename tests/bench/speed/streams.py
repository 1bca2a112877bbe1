"""Many streams in one process: ``python -m tests.bench.speed.streams [--seconds 8] [--json OUT]``.

Streams of four channels at 250 Hz come in blocks of 32 ms. What is told is the share of a core's time that they
take, so 1.0 is where one process can no longer follow; and the same with two processes on two cores at once.
Three ways, in one run: the envelopes of all streams in one call (``ManyEnvelopes``), the same with an object for
each stream, and whole chains (signal check and the four usual detectors), one for each stream.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import sys
import time
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

from bridge.detectors.envelopes import ManyEnvelopes
from bridge.pipeline import DetectionChain, Wanted, bind
from bridge.signals.sections import run_sections
from bridge.signals.types import Block, Samples
from bridge.sources.person import SyntheticPerson
from tests.bench.speed.stages import machine

RATE_HZ = 250.0
BLOCK = 8  # 32 ms
USUAL = ("blink", "gaze", "contraction", "heartbeat")
TOGETHER = (1, 10, 100, 1000, 4000, 10_000, 20_000, 40_000, 80_000)
SINGLY = (1, 10, 100, 1000)
CHAINS = (1, 10, 30, 60, 100, 150, 200)

Step = Callable[[int], object]


def signal(streams: int, seconds: float) -> Samples:
    """Shape (streams, 4, n): some persons, over and over."""
    persons = min(streams, 8)
    own = [SyntheticPerson(seed, RATE_HZ).generate(round(seconds * RATE_HZ)).T for seed in range(persons)]
    return np.stack(own)[np.arange(streams) % persons]


def together(streams: int, seconds: float) -> Step:
    """Few blocks of many streams are kept: at 80,000 streams a second is 640 MB."""
    person = SyntheticPerson(0, RATE_HZ)
    blocks = [
        np.ascontiguousarray(signal(streams, 10 * BLOCK / RATE_HZ)[:, :, at : at + BLOCK])
        for at in range(0, 10 * BLOCK, BLOCK)
    ]
    many = ManyEnvelopes(person.info.channels, RATE_HZ, streams)
    return lambda number: many.process(blocks[number % len(blocks)])


def singly(streams: int, seconds: float) -> Step:
    person = SyntheticPerson(0, RATE_HZ)
    x = signal(streams, seconds)
    own = [ManyEnvelopes(person.info.channels, RATE_HZ, 1) for _ in range(streams)]

    def step(number: int) -> None:
        at = number * BLOCK
        for stream, many in enumerate(own):
            many.process(x[stream : stream + 1, :, at : at + BLOCK])

    return step


def chains(streams: int, seconds: float) -> Step:
    info = SyntheticPerson(0, RATE_HZ).info
    persons = [SyntheticPerson(seed, RATE_HZ).generate(round(seconds * RATE_HZ)) for seed in range(8)]
    own = [DetectionChain(info, bind(info, [Wanted(name) for name in USUAL])) for _ in range(streams)]

    def step(number: int) -> None:
        at = number * BLOCK
        for stream, chain in enumerate(own):
            chain.process(Block(persons[stream % 8][at : at + BLOCK], at))

    return step


WAYS = {
    "envelopes of all streams together": (together, TOGETHER),
    "envelopes, an object for each stream": (singly, SINGLY),
    "all detectors, a chain for each stream": (chains, CHAINS),
}


def filters_alone(streams: int) -> float:
    """Share of a core that the compiled loop takes on as many values and sections: what bounds the first way.

    Band and notches of the four kinds and their means: 4 + 3, 4 + 1, 4 + 1 and 4 + 1 sections.
    """
    x = np.zeros((streams, BLOCK))
    taken = 0.0
    for sections in (5, 5, 6, 5):
        sos = np.tile([[0.5, 0.1, 0.1, 1.0, -0.3, 0.1]], (sections, 1))
        state = np.zeros((streams, sections, 2))
        begun = time.perf_counter()
        for _ in range(10):
            run_sections(sos, x, state)
        taken += (time.perf_counter() - begun) / 10
    return taken / (BLOCK / RATE_HZ)


def share(way: str, streams: int, seconds: float) -> float:
    """Time taken by time of signal, after a first part in which detectors learn."""
    total = round(seconds * RATE_HZ / BLOCK)
    step = WAYS[way][0](streams, seconds)
    learning = total // 4
    for number in range(learning):
        step(number)
    begun = time.perf_counter()
    for number in range(learning, total):
        step(number)
    return (time.perf_counter() - begun) / ((total - learning) * BLOCK / RATE_HZ)


def _in_process(way: str, streams: int, seconds: float, barrier: Any, answers: Any) -> None:
    barrier.wait()
    answers.put(share(way, streams, seconds))


def on_two_cores(way: str, streams: int, seconds: float) -> float:
    """The slower of two processes with half of the streams each."""
    context = multiprocessing.get_context("spawn")
    barrier, answers = context.Barrier(2), context.Queue()
    both = [
        context.Process(target=_in_process, args=(way, streams // 2, seconds, barrier, answers))
        for _ in range(2)
    ]
    for process in both:
        process.start()
    told = [answers.get() for _ in both]
    for process in both:
        process.join()
    return float(max(told))


def curve(way: str, seconds: float) -> list[dict[str, float]]:
    rows: list[dict[str, float]] = []
    for streams in WAYS[way][1]:
        if sys.stderr.isatty():
            print(f"\r{way}: {streams} …{'':20s}", end="", file=sys.stderr)
        alone = share(way, streams, seconds)
        row = {"streams": streams, "one_core": alone}
        if streams >= 10:
            row["two_cores"] = on_two_cores(way, streams, seconds)
        if way.startswith("envelopes of all"):
            row["filters_alone"] = filters_alone(streams)
        rows.append(row)
        if min(row.values()) > 1.2 or alone > 2:
            break
    if sys.stderr.isatty():
        print("\r" + " " * 78 + "\r", end="", file=sys.stderr)
    return rows


def most(rows: list[dict[str, float]], key: str) -> int:
    """How many streams fill the time, by a straight line between the two measured beside it."""
    points = [(row["streams"], row[key]) for row in rows if key in row]
    for (n0, s0), (n1, s1) in pairwise(points):
        if s0 <= 1 < s1:
            return round(n0 + (n1 - n0) * (1 - s0) / (s1 - s0))
    last, taken = points[-1]
    return round(last / taken)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=8.0)
    parser.add_argument("--json", type=Path)
    options = parser.parse_args()
    told: dict[str, Any] = {"machine": machine(), "ways": {}}
    for way in WAYS:
        rows = curve(way, options.seconds)
        told["ways"][way] = {
            "curve": rows,
            "most_on_one_core": most(rows, "one_core"),
            "most_on_two_cores": most(rows, "two_cores"),
        }
        print(f"\n{way}: {told['ways'][way]['most_on_one_core']} fill a core, "
              f"{told['ways'][way]['most_on_two_cores']} two")  # fmt: skip
        for row in rows:
            print("  ", ", ".join(f"{name} {value:.4g}" for name, value in row.items()))
    if options.json:
        options.json.write_text(json.dumps(told, indent=1) + "\n")


if __name__ == "__main__":
    main()

"""The computer sleeps or a link hangs for 40 s, simulated: what is read afterwards is old and does nothing.

The muscle is white noise; the times are what the source claims, so no test waits for them.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

import numpy as np
import pytest

from bridge.detectors import DETECTORS
from bridge.pipeline import Binding, DetectionChain, Pipeline
from bridge.rules.actions import Action
from bridge.rules.engine import Engine
from bridge.rules.loader import load
from bridge.service import daemon as daemon_module
from bridge.service.daemon import Daemon
from bridge.service.dispatch import Result
from bridge.service.freshness import FRESH_AGAIN_S
from bridge.signals.types import Block, Channel, Detection, Event, StreamInfo
from bridge.sources.protocol import Sink, SourceCounts

RATE = 500
STEP = 20  # samples a block
STALL_S = 40.0
INFO = StreamInfo((Channel("arm", "emg"),), float(RATE))
RULES = load(
    "version: 1\noutputs: {note: {type: log}}\n"
    "rules:\n  - {name: Squeeze, when: {event: contraction}, then: {note: squeezed}}\n"
).rules


def muscle(seconds: float, *bursts: float) -> np.ndarray[Any, Any]:
    """Rest with bursts of a second that begin at these times (s); shape (n, 1)."""
    x = np.random.default_rng(5).normal(size=(round(seconds * RATE), 1)) * 3.0
    for start_s in bursts:
        x[round(start_s * RATE) : round((start_s + 1) * RATE)] *= 20
    return x


@dataclass
class Seen:
    """A tap: what reached the recorder, what was found and what was done."""

    samples: int = 0
    events: list[Event] = field(default_factory=list)
    actions: list[Action] = field(default_factory=list)
    firsts: list[int] = field(default_factory=list)

    def opened(self, infos: Mapping[str, StreamInfo]) -> None: ...

    def block(self, stream: str, block: Block) -> None:
        self.samples += len(block)
        self.firsts.append(block.first)

    def outcome(self, detections: Sequence[Detection], actions: Sequence[tuple[Action, Result]]) -> None:
        self.events.extend(item for item in detections if isinstance(item, Event))
        self.actions.extend(action for action, _ in actions)

    def closed(self) -> None: ...


class StallingSource:
    """Ten seconds of rest with one burst; a stall in which ten bursts are made; ten seconds with one burst.

    ``kept_s``: how much of the stall's samples waited in a buffer, read by ``piece`` samples. ``numbered``: do
    lost ones show? ``sleeps``: the computer itself slept, so that its monotonic clock stood still.
    """

    def __init__(self, kept_s: float, piece: int, numbered: bool, sleeps: bool, seen: Seen) -> None:
        self.counts = SourceCounts()
        self._piece = piece
        self._kept_s, self._numbered, self._sleeps = kept_s, numbered, sleeps
        self._seen = seen
        self.asleep_s = 0.0
        self.told: dict[str, int] = {}

    async def open(self) -> StreamInfo:
        return INFO

    async def run(self, sink: Sink) -> None:
        begun_s = time.monotonic()
        index = self._feed(sink, muscle(10, 6.0), 0, begun_s)
        self.told["before"] = len(self._seen.actions)
        woke_s = begun_s + 10
        if self._sleeps:
            self.asleep_s = STALL_S
        else:
            woke_s += STALL_S
        waited = muscle(STALL_S, *np.arange(1.0, STALL_S - 2, 3.7).tolist())[: round(self._kept_s * RATE)]
        for start in range(0, len(waited), self._piece):
            sink(Block(waited[start : start + self._piece], index + start, woke_s + start * 1e-7))
        index += round(STALL_S * RATE) if self._numbered else len(waited)
        self.told["in the stall"] = len(self._seen.actions) - self.told["before"]
        self._feed(sink, muscle(10, 6.0), index, woke_s)
        await asyncio.sleep(0.05)

    def _feed(self, sink: Sink, x: np.ndarray[Any, Any], index: int, from_s: float) -> int:
        for start in range(0, len(x), STEP):
            sink(Block(x[start : start + STEP], index + start, from_s + (start + STEP) / RATE))
        return index + len(x)

    async def close(self) -> None: ...


@pytest.mark.parametrize("sleeps", [False, True], ids=["stopped or hung", "asleep"])
@pytest.mark.parametrize(
    ("kept_s", "piece", "numbered"),
    [(STALL_S, STEP, False), (STALL_S, 16_384, False), (5.0, STEP, False), (5.0, 4096, True), (0.0, STEP, True)],
    ids=["TCP", "TCP, read at once", "a port, text", "a port, frames", "datagrams"],
)  # fmt: skip
def test_what_waited_through_a_stall_triggers_and_teaches_nothing(
    kept_s: float, piece: int, numbered: bool, sleeps: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen = Seen()
    source = StallingSource(kept_s, piece, numbered, sleeps, seen)
    monkeypatch.setattr(daemon_module, "asleep_s", lambda: source.asleep_s)

    def make(infos: object) -> Pipeline:
        binding = Binding(DETECTORS["contraction"], "contraction", (0,), {})
        return Pipeline({"": DetectionChain(INFO, [binding])}, Engine(RULES))

    asyncio.run(Daemon({"": source}, make, {}, taps=[seen], dry_run=True).run())
    assert source.told["before"] == 1
    assert source.told["in the stall"] == 0
    assert len(seen.actions) == 2, "the burst after the stall acts again"
    # The last burst is made 6 s after the stall, on the clock that events are told on.
    assert seen.actions[-1].time == pytest.approx(10 + STALL_S + 6, abs=0.6)
    times = [event.decided for event in seen.events]
    assert all(after > before - FRESH_AGAIN_S for before, after in pairwise(times))
    if kept_s:
        assert [event.kind for event in seen.events if "late" in event.note] == ["signal-lost"]
    assert seen.samples == round((20 + kept_s) * RATE), "all of it is recorded"
    assert seen.firsts == sorted(seen.firsts)

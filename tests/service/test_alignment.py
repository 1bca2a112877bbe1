"""Two boards on one clock: event times against the truth, with crystals that drift and links that burst."""

from __future__ import annotations

import json
import math
import signal
import subprocess
import sys
import time
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from bridge.recordings import read
from bridge.service.alignment import Alignment
from bridge.sources.clock import SampleClock
from tests.acting_board import RATE_HZ, ActingBoard
from tests.components import end, until

BLOCK = 8


def arrivals(
    rate_hz: float, ppm: float, start_s: float, seconds: float, seed: int
) -> list[tuple[int, float]]:
    """First index and arrival of each block: exponential delays of 2 ms, and a stall of 0.3 s now and then."""
    random = np.random.default_rng(seed)
    true_hz = rate_hz * (1 + ppm * 1e-6)
    found, free_s = [], 0.0
    for first in range(0, round(seconds * true_hz) - BLOCK, BLOCK):
        ready_s = start_s + (first + BLOCK - 1) / true_hz + float(random.exponential(0.002))
        if random.random() < 0.002:
            free_s = ready_s + 0.3  # what comes meanwhile arrives in one burst
        found.append((first, max(ready_s, free_s)))
    return found


@pytest.mark.parametrize("ppm", [-200.0, 0.0, 200.0])
def test_event_times_of_two_boards_stay_within_5_ms(ppm: float) -> None:
    """Ten minutes; one board is true, the other drifts. What both see at one moment must be told at one."""
    alignment = Alignment(100.0)
    for name, rate_hz, own_ppm, start_s in (("one", 250.0, 0.0, 100.4), ("two", 500.0, ppm, 101.7)):
        clock = SampleClock(rate_hz)
        true_hz = rate_hz * (1 + own_ppm * 1e-6)
        errors, told = [], []
        for first, received_s in arrivals(rate_hz, own_ppm, start_s, 600, seed=len(name)):
            clock.update(first + BLOCK - 1, received_s)
            shift_s = alignment.start_s(name, first, BLOCK, rate_hz, received_s, clock)
            told.append(shift_s + first / rate_hz)
            errors.append(told[-1] - (start_s + first / true_hz - 100.0))
        after = np.asarray(errors)[round(10 * rate_hz / BLOCK) :]
        # The transport's least delay is part of every time, on both boards alike.
        print(f"{name} {own_ppm:+g} ppm: {after.min() * 1e3:.2f} to {after.max() * 1e3:.2f} ms")
        assert np.abs(after).max() < 0.005
        assert all(a < b for a, b in pairwise(told)), "time never steps back"


def test_without_a_clock_the_first_arrival_counts() -> None:
    alignment = Alignment(10.0)
    assert alignment.start_s("a", 0, 25, 250.0, 12.1, None) == pytest.approx(2.0)
    assert alignment.start_s("a", 25, 25, 250.0, 19.0, None) == pytest.approx(2.0)


RULES = """
version: 1
sources:
  left: {{type: serial, port: {left}, channels: [{{name: left-arm, kind: emg}}]}}
  right: {{type: serial, port: {right}, channels: [{{name: right-arm, kind: emg}}]}}
outputs:
  notes: {{type: log}}
detectors:
  - {{detector: contraction, source: left, name: left}}
  - {{detector: contraction, source: right, name: right}}
rules:
  - {{name: Both, when: {{event: contraction}}, then: {{note: both}}}}
"""


class Muscle:
    """One muscle with both boards on it: the same noise at the same moment, still or at work."""

    def __init__(self) -> None:
        self.works = [math.inf, math.inf]  # from when until when
        self._noise = np.random.default_rng(9).normal(size=120 * RATE_HZ)

    def __call__(self, at_s: float) -> float:
        size = 60.0 if self.works[0] <= at_s < self.works[1] else 3.0
        return size * float(self._noise[int(at_s * RATE_HZ) % self._noise.size])


def test_two_boards_see_one_moment_at_one_time(tmp_path: Path) -> None:
    """Two boards on one muscle, one of them running for longer: onsets are told within 5 ms of each other."""
    left, right = ActingBoard(tmp_path / "left"), ActingBoard(tmp_path / "right")
    left.muscle_at = right.muscle_at = muscle = Muscle()
    left.plug_in()
    rules, out, recording = tmp_path / "rules.yaml", tmp_path / "out.jsonl", tmp_path / "both.edf"
    rules.write_text(RULES.format(left=left.link, right=right.link))
    right.sent = 20_000  # this board has been running for longer
    right.plug_in()
    log = tmp_path / "log"
    command = [sys.executable, "-m", "bridge", "run", str(rules), "--json", "--no-monitor"]
    with out.open("wb") as stdout, log.open("wb") as stderr:
        daemon = subprocess.Popen(
            [*command, "--record", str(recording)], stdout=stdout, stderr=stderr,
            env={"XDG_RUNTIME_DIR": str(tmp_path), "PATH": "/usr/bin:/bin"},
        )  # fmt: skip

    def starts() -> list[dict[str, object]]:
        text = out.read_text()
        lines = [json.loads(line) for line in text[: text.rfind("\n") + 1].splitlines()]
        return [line for line in lines if line.get("kind") == "contraction" and line["edge"] == "start"]

    begins_s: list[float] = []
    try:
        until(lambda: log.read_text().count("source ") == 2, "both ports", 20)
        until(lambda: left.sent > 500 * 12, "twelve seconds of signal", 20)
        for number in range(1, 4):
            begins_s.append(time.monotonic() + 0.1)
            muscle.works = [begins_s[-1], math.inf]
            until(lambda count=2 * number: len(starts()) >= count, "a contraction of each arm", 10)  # type: ignore[misc]
            time.sleep(0.5)
            muscle.works[1] = time.monotonic() + 0.1
            until(lambda: left.sent % 500 < 50, "a pause")
            end_at = left.sent + 1000
            until(lambda limit=end_at: left.sent > limit, "two seconds of rest")  # type: ignore[misc]
        told = starts()
        daemon.send_signal(signal.SIGTERM)
        assert daemon.wait(10) == 0, log.read_text()
    finally:
        end(daemon, signal.SIGKILL)
        left.pull()
        right.pull()
    onsets = {
        name: [float(str(line["onset"])) for line in told if line["detector"] == name]
        for name in ("left", "right")
    }
    apart = [abs(a - b) for a, b in zip(onsets["left"], onsets["right"], strict=True)]
    print("onsets apart, ms:", [round(1000 * value, 2) for value in apart])
    assert max(apart) < 0.005, onsets
    # And as far from each other as the contractions were. The detector's own placing of an onset adds to it.
    assert np.diff(onsets["left"]) == pytest.approx(np.diff(begins_s), abs=0.03)
    for name, stem in (("left", "both-left.edf"), ("right", "both-right.edf")):
        held = read(tmp_path / stem)
        marks = [mark.onset for mark in held.annotations if mark.label == "event: contraction"]
        samples = np.concatenate([block.samples for block in held.blocks()])[:, 0]
        rate_hz = held.info.rate
        assert len(marks) == len(onsets[name])
        for mark in marks:
            # In the file's own time the mark lies where the muscle begins.
            at = round(mark * rate_hz) - held.first
            assert samples[at + 15 : at + 60].std() > 4 * samples[at - 300 : at - 100].std()

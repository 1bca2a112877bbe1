"""Short gaps in front of every detector: bridged, told in time, and never recorded.

The losses are ours, the ECG is MIT-BIH record 100, the bursts are synthetic where the count must be known.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from bridge.detectors import DETECTORS, Detector, Trace
from bridge.detectors.bridging import Bridged
from bridge.pipeline import DetectionChain, Wanted, bind
from bridge.signals.types import Block, Channel, ChannelKind, Detection, Event, Level, Samples, StreamInfo
from tests.detectors.ecg_recordings import compare, f1, record_100

RATE_HZ = 100.0
NAN = float("nan")


class Ear:
    """A detector that notes what it is given, and answers each row with an event and a level."""

    settings: Any = None
    name = "ear"

    def __init__(self) -> None:
        self.heard: list[tuple[int, list[float]]] = []
        self.flushed = 0
        self.trace: Trace | None = None

    def process(self, block: Block) -> list[Detection]:
        rows = block.samples.tolist()
        self.heard.extend(enumerate(rows, start=block.first))
        column = block.samples[:, 0].copy()
        self.trace = Trace(block.first, column, column, column)
        found: list[Detection] = []
        for index in range(block.first, block.end):
            at_s = index / RATE_HZ
            found.append(Event("blink", "instant", at_s, at_s, "c0", detector="ear"))
            found.append(Level("alpha-level", at_s, 1.0, "c0", "ear"))
        return found

    def flush(self) -> list[Detection]:
        self.flushed += 1
        return []

    def reset(self) -> None:
        self.heard.clear()


def bridged(kind: ChannelKind = "eeg", width: int = 1, longest_s: float = 0.05) -> tuple[Bridged, Ear]:
    ear = Ear()
    channels = [Channel(f"c{number}", kind) for number in range(width)]
    return Bridged(ear, channels, RATE_HZ, longest_s), ear


def rows(*values: float) -> Samples:
    return np.array(values)[:, None]


def test_a_jump_up_to_the_longest_bridge_is_a_line() -> None:
    detector, ear = bridged()
    detector.process(Block(rows(1.0, 2.0), 10))
    detector.process(Block(rows(8.0), 17))
    assert ear.heard == [(10 + step, [value]) for step, value in enumerate([1.0, *range(2, 9)])]


def test_a_longer_jump_reaches_the_detector_as_it_is() -> None:
    detector, ear = bridged()
    detector.process(Block(rows(1.0, 2.0), 10))
    detector.process(Block(rows(8.0), 18))
    assert [index for index, _ in ear.heard] == [10, 11, 18]


@pytest.mark.parametrize("cut", [1, 2, 3, 7])
def test_holes_are_bridged_like_jumps(cut: int) -> None:
    detector, ear = bridged()
    samples = rows(1.0, 2.0, NAN, np.inf, 5.0, NAN, 7.0)
    for first in range(0, len(samples), cut):
        detector.process(Block(samples[first : first + cut], first))
    assert ear.heard == [(index, [float(index + 1)]) for index in range(7)]


def test_what_is_decided_on_a_bridge_is_told_with_the_first_sample_after_it() -> None:
    detector, _ = bridged()
    detector.process(Block(rows(1.0), 0))
    found = detector.process(Block(rows(4.0), 3))
    events = [item for item in found if isinstance(item, Event)]
    assert [(round(event.onset * 100), round(event.decided * 100)) for event in events] == [
        (1, 3),
        (2, 3),
        (3, 3),
    ]
    # A value that is over is not told late.
    assert [round(item.time * 100) for item in found if isinstance(item, Level)] == [3, 3]


def test_the_trace_is_that_of_the_samples_alone() -> None:
    detector, _ = bridged()
    detector.process(Block(rows(1.0), 0))
    detector.process(Block(rows(4.0, NAN, 6.0), 3))
    trace = detector.trace
    assert trace is not None
    assert trace.first == 3
    np.testing.assert_array_equal(trace.conditioned, [4.0, NAN, 6.0])


def test_a_channel_that_stays_away_is_not_waited_for() -> None:
    """Six electrodes, one comes off: the others are heard a bridge later, and from then on at once."""
    detector, ear = bridged(width=2)
    detector.process(Block(np.array([[1.0, 1.0]]), 0))
    for index in range(1, 9):
        detector.process(Block(np.array([[float(index), NAN]]), index))
        assert len(ear.heard) == (1 if index <= 5 else index + 1)
    detector.process(Block(np.array([[9.0, 9.0]]), 9))
    assert ear.heard[-1] == (9, [9.0, 9.0])
    assert np.isnan([row[1] for _, row in ear.heard[1:9]]).all()


def test_channels_may_lose_samples_at_different_times() -> None:
    detector, ear = bridged(width=2)
    samples = np.column_stack([np.arange(8.0), 10 * np.arange(8.0)])
    broken = samples.copy()
    broken[2:4, 0] = NAN
    broken[3:6, 1] = NAN
    for index in range(8):
        detector.process(Block(broken[index : index + 1], index))
    np.testing.assert_allclose([row for _, row in ear.heard], samples)
    assert [index for index, _ in ear.heard] == list(range(8))


def test_raw_emg_keeps_its_size_and_an_envelope_its_value() -> None:
    raw, ear = bridged("emg")
    raw.process(Block(rows(1.0, -2.0, 3.0, -4.0), 0))
    raw.process(Block(rows(9.0), 7))
    assert [row[0] for _, row in ear.heard] == [1.0, -2.0, 3.0, -4.0, 3.0, -2.0, 1.0, 9.0]
    envelope, ear = bridged("emg-envelope")
    envelope.process(Block(rows(5.0, 6.0), 0))
    envelope.process(Block(rows(90.0), 4))
    assert [row[0] for _, row in ear.heard] == [5.0, 6.0, 6.0, 6.0, 90.0]


def test_a_flush_lets_out_what_waited_and_forgets() -> None:
    detector, ear = bridged()
    detector.process(Block(rows(1.0, NAN), 0))
    found = detector.flush()
    assert [index for index, _ in ear.heard] == [0, 1]
    assert all(event.decided <= 0.01 + 1e-9 for event in found if isinstance(event, Event))
    assert ear.flushed == 1
    # After a flush (muted, say) there is nothing to bridge from.
    detector.process(Block(rows(4.0), 4))
    assert [index for index, _ in ear.heard] == [0, 1, 4]


def test_every_detector_states_its_longest_bridge_and_is_made_with_it() -> None:
    for type_ in DETECTORS.values():
        assert 0.01 <= type_.longest_bridge_s <= 0.12, type_.name
        made = type_.create(type_.name, [Channel("c", type_.kinds[0])], 250.0, {})
        assert isinstance(made, Bridged)


def losses(samples: Samples, every: int, run: int) -> Iterator[Block]:
    """Blocks without ``run`` samples at the end of each ``every``."""
    for first in range(0, len(samples), every):
        yield Block(samples[first : first + every - run], first)


def heard(detector: Detector, blocks: Iterator[Block]) -> list[Event]:
    found: list[Detection] = []
    for block in blocks:
        found.extend(detector.process(block))
    return [item for item in [*found, *detector.flush()] if isinstance(item, Event)]


def bursts(rate_hz: float, count: int) -> Samples:
    """Raw EMG: ``count`` contractions of 1.5 s in 4 s each."""
    random = np.random.default_rng(7)
    x = random.normal(0, 3, round((4 * count + 4) * rate_hz))
    for number in range(count):
        at = round((4 * number + 4) * rate_hz)
        x[at : at + round(1.5 * rate_hz)] *= 15
    return x[:, None]


@pytest.mark.parametrize("every_s", [1.0, 0.2])
def test_thirty_contractions_stay_thirty(every_s: float) -> None:
    rate_hz = 500.0
    detector = DETECTORS["contraction"].create("c", [Channel("arm", "emg", "uV")], rate_hz, {})
    found = heard(detector, losses(bursts(rate_hz, 30), round(every_s * rate_hz), 1))
    assert [round(event.onset) for event in found if event.edge == "start"] == [4 * n + 4 for n in range(30)]


@pytest.mark.parametrize(("every_s", "run_s"), [(1.0, 0.0), (0.2, 0.0), (0.4, 0.02)])
def test_hearts_go_on_where_samples_are_lost(data_dir: Path, every_s: float, run_s: float) -> None:
    """Against the annotations of record 100, single samples and 5 % in runs of 20 ms; the whole chain."""
    samples, rate_hz, beats = record_100(data_dir, 0, seconds=240)
    info = StreamInfo((Channel("ecg", "ecg", "mV"),), rate_hz)

    def onsets(blocks: Iterator[Block]) -> Samples:
        chain = DetectionChain(info, bind(info, [Wanted("heartbeat")]))
        found: list[Detection] = []
        for block in blocks:
            found.extend(chain.process(block))
        events = [item for item in [*found, *chain.flush()] if isinstance(item, Event)]
        assert not [item for item in events if item.kind == "signal-lost"]
        return np.array([item.onset for item in events if item.kind == "heartbeat"])

    whole = onsets(iter([Block(samples[:, None], 0)]))
    lost = onsets(losses(samples[:, None], round(every_s * rate_hz), max(1, round(run_s * rate_hz))))
    assert f1(beats, lost) >= 0.995 * f1(beats, whole)
    assert compare(beats, lost)[0] > 250


def test_a_recording_keeps_its_jump() -> None:
    """The block that a recorder gets beside the detector is not touched."""
    block = Block(rows(1.0, NAN, 3.0), 5)
    detector, _ = bridged()
    detector.process(Block(rows(0.0), 0))
    detector.process(block)
    assert block.first == 5
    np.testing.assert_array_equal(block.samples[:, 0], [1.0, NAN, 3.0])

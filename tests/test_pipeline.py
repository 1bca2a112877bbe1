"""Blocks to detections to actions, on real recordings; block sizes must not matter."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path

import numpy as np
import pytest

from bridge.pipeline import BindingError, DetectionChain, Pipeline, Wanted, bind, can_bind
from bridge.recordings import ChannelChoice, Recording, read
from bridge.rules.actions import Action, Press
from bridge.signals.types import Block, Channel, Detection, Event, StreamInfo, moment


def chain_for(info: StreamInfo, *names: str) -> DetectionChain:
    return DetectionChain(info, bind(info, [Wanted(name) for name in names]))


def run(chain: DetectionChain, blocks: Iterable[Block]) -> list[Detection]:
    found: list[Detection] = []
    for block in blocks:
        found.extend(chain.process(block))
    return found + chain.flush()


def rows(recording: Recording, seconds: float) -> tuple[StreamInfo, np.ndarray]:
    block = next(recording.blocks(round(seconds * recording.info.rate)))
    return recording.info, block.samples


def cut(samples: np.ndarray, size: int, first: int = 0) -> list[Block]:
    return [
        Block(samples[start : start + size].copy(), first + start) for start in range(0, len(samples), size)
    ]


CASES = [
    ("eog/blinks-200hz.csv", ("blink", "gaze"), None),
    ("eog/gaze-83hz.csv", ("gaze",), None),
    ("ecg/100.hea", ("heartbeat",), None),
]


@pytest.mark.parametrize(("file", "detectors", "channels"), CASES)
def test_block_sizes_make_no_difference(
    data_dir: Path, file: str, detectors: tuple[str, ...], channels: None
) -> None:
    """The same recording in blocks of 1, 7, 32 and all samples gives the same detections."""
    info, samples = rows(read(data_dir / file, channels=channels), 40)
    whole = run(chain_for(info, *detectors), [Block(samples, 0)])
    assert sum(isinstance(item, Event) for item in whole) > 20
    for size in (1, 7, 32):
        assert run(chain_for(info, *detectors), cut(samples, size)) == whole


def test_block_sizes_make_no_difference_where_the_signal_is_lost_and_comes_back(data_dir: Path) -> None:
    info, samples = rows(read(data_dir / "ecg/100.hea"), 40)
    samples = samples.copy()
    rate = info.rate
    samples[round(12.3 * rate) : round(15.1 * rate)] = samples[round(12.3 * rate)]  # the lead comes off
    whole = run(chain_for(info, "heartbeat"), [Block(samples, 0)])
    kinds = [item.kind for item in whole if isinstance(item, Event)]
    assert {"signal-lost", "signal-back", "heartbeat"} <= set(kinds)
    for size in (1, 7, 32):
        assert run(chain_for(info, "heartbeat"), cut(samples, size)) == whole


def test_no_beats_while_the_lead_is_off(data_dir: Path) -> None:
    """A flat lead is reported within 200 ms and mutes; beats return by themselves once it is back."""
    info, samples = rows(read(data_dir / "ecg/100.hea"), 40)
    samples = samples.copy()
    off_s, on_s = 12.3, 17.0
    samples[round(off_s * info.rate) : round(on_s * info.rate)] = 1.234
    events = [
        item for item in run(chain_for(info, "heartbeat"), [Block(samples, 0)]) if isinstance(item, Event)
    ]
    lost = [event for event in events if event.kind == "signal-lost"]
    back = [event for event in events if event.kind == "signal-back"]
    assert {event.channel for event in lost} == {channel.name for channel in info.channels}
    assert all(off_s < event.decided <= off_s + 0.2 for event in lost)
    assert all(on_s < event.decided < on_s + 3 for event in back)
    beats = [event.onset for event in events if event.kind == "heartbeat"]
    # The step to the flat value may pass for a beat; after it has been told as lost nothing may.
    assert not [beat for beat in beats if off_s + 0.1 < beat < on_s]
    assert len([beat for beat in beats if beat > on_s + 3]) > 15


def test_detections_come_in_order_of_time(data_dir: Path) -> None:
    info, samples = rows(read(data_dir / "eog/blinks-200hz.csv"), 60)
    found = run(chain_for(info, "blink", "gaze"), cut(samples, 500))
    moments = [moment(item) for item in found]
    assert moments == sorted(moments)


def test_a_second_stream_is_shifted_on_to_the_shared_clock(data_dir: Path) -> None:
    info, samples = rows(read(data_dir / "ecg/100.hea"), 20)
    plain = run(chain_for(info, "heartbeat"), [Block(samples, 0)])
    shifted_chain = chain_for(info, "heartbeat")
    shifted_chain.start_s = 2.5
    shifted = run(shifted_chain, [Block(samples, 0)])
    assert len(plain) > 15
    assert [moment(item) for item in shifted] == pytest.approx([moment(item) + 2.5 for item in plain])


class Echo:
    """An engine that presses a key for each event and counts the time."""

    def __init__(self) -> None:
        self.times: list[float] = []

    def process(self, detection: Detection) -> list[Action]:
        return (
            [Action(moment(detection), "echo", "keys", Press(("a",)))] if isinstance(detection, Event) else []
        )

    def advance(self, time: float) -> list[Action]:
        self.times.append(time)
        return []

    def pause(self) -> list[Action]:
        return []

    def resume(self) -> list[Action]:
        return []

    def release(self, time: float) -> list[Action]:
        return []

    def reload(self, rules: object) -> list[Action]:
        return []


INFO = StreamInfo((Channel("ecg", "ecg"), Channel("horizontal", "eog-horizontal")), 250.0)


def test_lost_samples_are_told_once_and_their_return_too() -> None:
    pipeline = Pipeline({"": chain_for(INFO, "heartbeat")}, Echo())
    rng = np.random.default_rng(0)
    pipeline.process(Block(rng.normal(0, 50, (500, 2)), 0))
    lost = pipeline.lose(2.3, "no samples")
    assert [item.kind for item in lost.detections] == ["signal-lost"] * 2
    assert [item.note for item in lost.detections if isinstance(item, Event)] == ["no samples"] * 2
    assert len(lost.actions) == 2
    assert pipeline.lose(2.4, "no samples").detections == []
    back = pipeline.process(Block(rng.normal(0, 50, (10, 2)), 700))
    assert [item.kind for item in back.detections] == ["signal-back"] * 2


@pytest.mark.parametrize("first", [500, 560, 575, 700])
def test_a_signal_is_not_back_before_it_was_lost(first: int) -> None:
    """Also where the source's own clock places the first samples after a silence a little early."""
    rng = np.random.default_rng(0)
    pipeline = Pipeline({"": chain_for(INFO, "heartbeat")}, Echo())
    pipeline.process(Block(rng.normal(0, 50, (500, 2)), 0))
    lost = pipeline.lose(2.3, "no samples").detections
    back = pipeline.process(Block(rng.normal(0, 50, (10, 2)), first)).detections
    assert [item.kind for item in back] == ["signal-back"] * 2
    assert max(moment(item) for item in lost) <= min(moment(item) for item in back)


@pytest.mark.parametrize("first", [560, 700, 1200, 3000])
@pytest.mark.parametrize("size", [1, 50])
@pytest.mark.parametrize("before", [10, 500])
def test_a_loss_and_its_return_take_turns(first: int, size: int, before: int) -> None:
    """Whatever the gap does to the quality of the signal after it: lost once, back once, in order of time."""
    rng = np.random.default_rng(0)
    pipeline = Pipeline({"": chain_for(INFO, "heartbeat")}, Echo())
    pipeline.process(Block(rng.normal(0, 50, (before, 2)), 0))
    told = pipeline.lose(2.3, "no samples").detections
    for at in range(first, first + 1500, size):
        told += pipeline.process(Block(rng.normal(0, 50, (size, 2)), at)).detections
    for channel in ("ecg", "horizontal"):
        signal = [each for each in told if each.kind.startswith("signal-") and each.channel == channel]
        assert [each.kind for each in signal] == ["signal-lost", "signal-back"]
        assert moment(signal[0]) <= moment(signal[1])


def test_the_engine_hears_the_time_of_the_last_sample() -> None:
    engine = Echo()
    pipeline = Pipeline({"": chain_for(INFO, "heartbeat")}, engine)
    pipeline.process(Block(np.zeros((250, 2)), 0))
    pipeline.process(Block(np.zeros((0, 2)), 250))
    assert engine.times == [249 / 250]


FRONT = StreamInfo(tuple(Channel(name, "eeg") for name in ("Fp1", "Fp2", "O1", "O2")), 250.0)


@pytest.mark.parametrize(
    ("info", "wanted", "columns"),
    [
        (INFO, Wanted("gaze"), (1,)),
        (INFO, Wanted("heartbeat"), (0,)),
        (FRONT, Wanted("blink"), (0, 1)),  # occipital sites see no blinks
        (FRONT, Wanted("blink", channels=("Fp2",)), (1,)),
        (StreamInfo((*FRONT.channels, Channel("v", "eog-vertical")), 250.0), Wanted("blink"), (4,)),
        (
            StreamInfo(tuple(Channel(f"ring{i}", "emg") for i in range(8)), 250.0),
            Wanted("contraction"),
            tuple(range(8)),
        ),
    ],
)
def test_channels_are_found_by_their_kind(info: StreamInfo, wanted: Wanted, columns: Sequence[int]) -> None:
    assert [binding.columns for binding in bind(info, [wanted])] == [columns]
    assert can_bind(info, wanted.detector)


@pytest.mark.parametrize(
    ("wanted", "message"),
    [
        (Wanted("sneeze"), "known: .*blink"),
        (Wanted("contraction"), r"needs a channel of kind emg.*ecg \(ecg\)"),
        (Wanted("gaze", channels=("left",)), "channel 'left'; the source has: ecg, horizontal"),
        (Wanted("gaze", channels=("ecg",)), "channel 'ecg' is ecg"),
    ],
)
def test_what_cannot_be_joined_is_explained(wanted: Wanted, message: str) -> None:
    with pytest.raises(BindingError, match=message):
        bind(INFO, [wanted])


def test_a_rate_or_setting_that_does_not_suit_is_explained() -> None:
    slow = StreamInfo((Channel("arm", "emg"),), 30.0)
    with pytest.raises(BindingError, match="'contraction' cannot work on arm"):
        DetectionChain(slow, bind(slow, [Wanted("contraction")]))
    with pytest.raises(BindingError, match=r"settings of detector 'gaze'.*loudness"):
        DetectionChain(INFO, bind(INFO, [Wanted("gaze", settings={"loudness": 1.0})]))


def test_a_contraction_says_how_long_it_lasted(data_dir: Path) -> None:
    names = [f"ring{index}" for index in range(1, 9)]
    channels = [ChannelChoice(name, "emg") for name in names]
    info, samples = rows(read(data_dir / "emg/cued-12345-1-1.csv", channels=channels), 40)
    found = run(chain_for(info, "contraction"), [Block(samples, 0)])
    events = [item for item in found if isinstance(item, Event) and item.kind == "contraction"]
    starts = [event for event in events if event.edge == "start"]
    ends = [event for event in events if event.edge == "end"]
    assert len(starts) == len(ends) >= 3
    for start, end in zip(starts, ends, strict=True):
        assert end.values["duration"] == pytest.approx(end.onset - start.onset)

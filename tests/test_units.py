"""Counts or microvolts: what is detected is the same, on every open recording at hand."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from bridge.evaluation.running import bind_detector, run
from bridge.recordings import ChannelChoice, Recording, read
from bridge.recordings.recording import Segment
from bridge.signals.types import Event

RECORDINGS = [
    ("ecg/100", "heartbeat", None),
    ("eog/blinks-200hz.csv", "blink", None),
    ("eog/gaze-83hz.csv", "gaze", None),
    ("eeg/eye-state-128hz.csv", "blink", None),
    ("emg/cued-12345-1-1.csv", "contraction", [ChannelChoice("ring1", "emg"), ChannelChoice("ring4", "emg")]),
]
# 10 bits over 5 V behind a gain of 1000, in µV (computed), and its thousandth.
_SECONDS = 300
FACTOR_UV = 5.0 / 1024 / 1000 * 1e6


def in_unit(recording: Recording, unit: str, factor: float) -> Recording:
    blocks = list(recording.blocks(10**9))
    channels = tuple(
        replace(
            channel,
            unit=unit,  # type: ignore[arg-type]
            low=channel.low * factor,
            high=channel.high * factor,
            step=channel.step * factor,
        )
        for channel in recording.info.channels
    )
    most = round(_SECONDS * recording.info.rate)
    segments = [Segment(block.first, block.samples[:most] * factor) for block in blocks[:1]]
    return Recording(replace(recording.info, channels=channels), segments, recording.annotations)


@pytest.mark.parametrize(("name", "detector", "choices"), RECORDINGS, ids=[name for name, _, _ in RECORDINGS])
def test_events_do_not_depend_on_the_unit(
    data_dir: Path, name: str, detector: str, choices: list[ChannelChoice] | None
) -> None:
    source = read(data_dir / name, channels=choices)
    told: list[list[tuple[str, str, str, float, float]]] = []
    for unit, factor in (("count", 1.0), ("uV", FACTOR_UV), ("mV", FACTOR_UV / 1000)):
        recording = in_unit(source, unit, factor)
        events = [
            event
            for bound in bind_detector(recording, detector)
            for event in run(recording, bound).events
            if isinstance(event, Event)
        ]
        told.append([(e.kind, e.edge, e.channel, e.onset, e.decided) for e in events])
    assert len(told[0]) > 5
    for other in told[1:]:
        assert [row[:3] for row in other] == [row[:3] for row in told[0]]
        # To the sample: a sum in another unit rounds its last bit otherwise.
        times, first = (np.array([row[3:] for row in rows]) for rows in (other, told[0]))
        assert np.abs(times - first).max() < 0.5 / source.info.rate

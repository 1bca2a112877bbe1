"""The recorder tap: events and rules as annotations, several streams, a disk that fails."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from bridge.recordings import RecordingError, read
from bridge.recordings.recorder import Recorder
from bridge.rules.actions import Action, Press
from bridge.signals.types import Block, Channel, Event, Level, StreamInfo


def info(name: str) -> StreamInfo:
    return StreamInfo((Channel(name, "emg", "count", 0, 1023, 1.0),), 100)


def test_events_become_annotations_that_are_no_reference(tmp_path: Path) -> None:
    recorder = Recorder(tmp_path / "a.edf")
    recorder.opened({"": info("arm")})
    recorder.block("", Block(np.ones((300, 1)), 0))
    start = Event("contraction", "start", 0.5, 0.6, "arm", detector="contraction")
    blink = Event("blink", "instant", 1.25, 1.4, "arm")
    end = Event("contraction", "end", 1.5, 1.6, "arm", detector="contraction")
    recorder.outcome([start, Level("heart-rate", 1.0, 60.0)], [])
    recorder.outcome([blink, end], [(Action(1.4, "Next slide", "keys", Press(("PageDown",)), blink), None)])
    recorder.outcome([Event("contraction", "start", 2.0, 2.1, "arm", detector="contraction")], [])
    recorder.mark("cue: rest", 2.5, 0.25)
    recorder.closed()
    found = [(a.onset, a.duration, a.label) for a in read(tmp_path / "a.edf").annotations]
    assert sorted(found) == [
        (0.5, 1.0, "event: contraction"),
        (1.25, 0.0, "event: blink"),
        (1.4, 0.0, "rule: Next slide"),
        (2.0, 1.0, "event: contraction"),
        (2.5, 0.25, "cue: rest"),
    ]


def test_two_streams_become_two_files(tmp_path: Path) -> None:
    recorder = Recorder(tmp_path / "a.edf")
    recorder.opened({"left": info("l"), "right": info("r")})
    recorder.block("left", Block(np.full((100, 1), 1.0), 0))
    recorder.block("right", Block(np.full((200, 1), 2.0), 0))
    recorder.outcome([Event("contraction", "instant", 0.5, 0.6, "r")], [])
    recorder.closed()
    assert read(tmp_path / "a-left.edf").samples == 100
    right = read(tmp_path / "a-right.edf")
    assert right.samples == 200
    assert [a.label for a in right.annotations] == ["event: contraction"]


def test_a_failure_ends_the_recording_and_nothing_else(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    recorder = Recorder(tmp_path / "a.edf")
    recorder.opened({"": info("arm")})
    recorder.block("", Block(np.ones((300, 1)), 0))
    recorder.block("", Block(np.ones((300, 1)), 0))  # samples that go back: refused by the writer
    assert recorder.problem is not None
    recorder.block("", Block(np.ones((300, 1)), 300))
    recorder.closed()
    assert caplog.text.count("recording stopped") == 1
    with pytest.raises(RecordingError, match="there already"):
        Recorder(tmp_path / "a.edf").opened({"": info("arm")})

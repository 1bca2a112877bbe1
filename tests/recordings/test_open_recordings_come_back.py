"""Every open recording at hand, written as the daemon records it and read back: same samples, gaps and events.

Sources and licences stand beside the recordings.
"""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import numpy as np
import pytest

from bridge.evaluation.running import bind_detector, run
from bridge.recordings import ChannelChoice, Recording, read
from bridge.recordings.edf_writer import EdfWriter
from bridge.recordings.recording import Segment
from bridge.signals.types import Block

STARTED = datetime(2026, 3, 14, 15, 9, 26)  # noqa: DTZ001  # local wall time, as the format has it
RINGS = [ChannelChoice(f"ring{number}", "emg") for number in range(1, 9)]
RECORDINGS = [
    ("ecg/100", "heartbeat", None),
    ("eog/blinks-200hz.csv", "blink", None),
    ("eog/gaze-83hz.csv", "gaze", None),
    ("eeg/eye-state-128hz.csv", "blink", None),
    *(
        (f"emg/cued-{name}.csv", "contraction", RINGS)
        for name in ("12345-1-1", "12345-1-7", "21547-2-1", "21547-2-7", "45612-1-2", "45612-1-7")
    ),
]


@pytest.mark.parametrize("suffix", [".edf", ".bdf"])
@pytest.mark.parametrize(("name", "detector", "choices"), RECORDINGS, ids=[name for name, _, _ in RECORDINGS])
def test_a_replay_of_the_record_is_the_signal_itself(
    data_dir: Path, tmp_path: Path, name: str, detector: str, choices: list[ChannelChoice] | None, suffix: str
) -> None:
    source = read(data_dir / name, channels=choices)
    writer = EdfWriter(tmp_path / f"a{suffix}", source.info, STARTED)
    kept: list[Block] = []
    for number, block in enumerate(source.blocks(int(source.info.rate * 7.3))):
        if number in (4, 9) or block.first > source.info.rate * 240:
            continue
        writer.write(block)
        kept.append(block)
    writer.close()
    back = read(tmp_path / f"a{suffix}")

    parts: list[tuple[int, list[Block]]] = []
    for block in kept:
        if not parts or parts[-1][1][-1].end != block.first:
            parts.append((block.first, []))
        parts[-1][1].append(block)
    wanted = Recording(
        source.info, [Segment(first, np.concatenate([b.samples for b in blocks])) for first, blocks in parts]
    )
    assert len(parts) >= 2
    assert [(s.first, len(s.raw)) for s in back.segments] == [(s.first, len(s.raw)) for s in wanted.segments]
    for ours, theirs in zip(back.blocks(10**9), wanted.blocks(10**9), strict=True):
        assert np.array_equal(ours.samples, theirs.samples, equal_nan=True)
    assert back.info.rate == source.info.rate

    events = [
        [
            repr(event)
            for bound in bind_detector(recording, detector)
            for event in run(recording, bound).events
        ]
        for recording in (wanted, back)
    ]
    assert len(events[0]) > 0
    assert events[0] == events[1]

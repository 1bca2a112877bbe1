"""A recording whose disk fails at any call: readable to its last whole record, and it says what happened."""

from __future__ import annotations

import errno
from datetime import datetime
from pathlib import Path

import numpy as np
import pyedflib
import pytest

from bridge.recordings import Recording, read
from bridge.recordings.edf_layout import ANNOTATION_BYTES
from bridge.recordings.edf_writer import EdfWriter
from bridge.recordings.recorder import Recorder
from bridge.recordings.recording import RecordingError
from bridge.signals.types import Block, Channel, Samples, StreamInfo
from tests.faults import failing

RATE = 100
INFO = StreamInfo((Channel("arm", "emg", "count", -512, 512),), RATE)
STARTED = datetime(2024, 3, 1, 10, 0, 0)  # noqa: DTZ001  # the format holds local wall time
FAULTS = {
    "disk full": (errno.ENOSPC, False),
    "disk full in the middle of a record": (errno.ENOSPC, True),
    "input/output error": (errno.EIO, False),
}


def record(file: Path, samples: Samples, info: StreamInfo = INFO) -> None:
    """In blocks of a fifth of a second."""
    writer = EdfWriter(file, info, STARTED)
    for start in range(0, len(samples), 20):
        writer.write(Block(samples[start : start + 20], start))
    writer.close()


def samples_of(recording: Recording) -> Samples:
    return np.concatenate([block.samples for block in recording.blocks()])


def counts(seconds: int) -> Samples:
    return np.random.default_rng(3).integers(-400, 400, (seconds * RATE, 1)).astype(float)


@pytest.mark.parametrize("fault", FAULTS)
@pytest.mark.parametrize("call", range(1, 16))
def test_the_file_holds_all_whole_records_before_the_fault(fault: str, call: int, tmp_path: Path) -> None:
    file = tmp_path / "day.edf"
    wanted = counts(8)
    number, short = FAULTS[fault]
    with (
        failing("write", number, from_call=call, short=short) as faults,
        pytest.raises(RecordingError, match="cannot be written on"),
    ):
        record(file, wanted)
    assert faults.struck
    if call <= 3:  # the header, the first record, its count: there is no whole record that counts
        assert file.stat().st_size <= 3 * 256 + RATE * 2 + ANNOTATION_BYTES
        return
    # Another reader than ours: it refuses a header that promises records which are not there.
    with pyedflib.EdfReader(str(file)) as reader:
        found = reader.readSignal(0, digital=False)
    assert len(found) % RATE == 0
    np.testing.assert_allclose(found, wanted[: len(found), 0], atol=1e-6)
    assert len(found) >= RATE * max(0, (call - 3) // 2)


def test_short_writes_lose_nothing(tmp_path: Path) -> None:
    file = tmp_path / "day.edf"
    wanted = counts(5)
    with failing("write", None, from_call=1, short=True):
        record(file, wanted)
    np.testing.assert_array_equal(samples_of(read(file)), wanted)


def test_a_disk_with_room_again_does_not_make_a_file_with_a_hole(tmp_path: Path) -> None:
    """After a fault nothing more is written: records after a missing one would be at a wrong time."""
    file = tmp_path / "day.edf"
    wanted = counts(8)
    with failing("write", errno.ENOSPC, from_call=6, to_call=6):
        recorder = Recorder(file)
        recorder.opened({"": INFO})
        for start in range(0, len(wanted), 20):
            recorder.block("", Block(wanted[start : start + 20], start))
        recorder.closed()
    assert recorder.problem is not None
    assert "No space left on device" in recorder.problem
    assert recorder.report() == {"recording": {"file": str(file), "problem": recorder.problem}}
    found = samples_of(read(file))
    assert 0 < len(found) < len(wanted)
    np.testing.assert_array_equal(found, wanted[: len(found)])


def test_no_descriptor_for_a_recording_is_said(tmp_path: Path) -> None:
    with (
        failing("open", errno.EMFILE, from_call=1),
        pytest.raises(RecordingError, match="Too many open files"),
    ):
        EdfWriter(tmp_path / "day.edf", INFO, STARTED)


def test_a_file_that_cannot_be_widened_stays_as_it_was(tmp_path: Path) -> None:
    """The file is rewritten for larger values; without room for that it keeps what it has."""
    file = tmp_path / "day.edf"
    info = StreamInfo((Channel("arm", "emg", "uV", -np.inf, np.inf),), RATE)
    small, large = counts(3), counts(3) * 1e6 + 0.25
    with failing("fsync", errno.ENOSPC, from_call=6), pytest.raises(RecordingError):
        record(file, np.concatenate((small, large)), info)
    found = samples_of(read(file))
    np.testing.assert_allclose(found, np.concatenate((small, large))[: len(found)], rtol=1e-6)
    assert [path.name for path in tmp_path.iterdir()] == ["day.edf"]

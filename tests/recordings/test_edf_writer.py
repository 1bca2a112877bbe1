"""Files of our own writer, read back by two libraries and by ourselves.

The libraries (edfio, pyedflib) are independent of this program; the layout they check is that of the EDF+
specification, section 2.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from datetime import datetime
from pathlib import Path

import edfio
import mne
import numpy as np
import pyedflib
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.recordings import ChannelChoice, RecordingError, read
from bridge.recordings.edf_layout import record_shape
from bridge.recordings.edf_scale import scales_for, wider_scales
from bridge.recordings.edf_writer import EdfWriter
from bridge.signals.types import Annotation, Block, Channel, Samples, StreamInfo

STARTED = datetime(2026, 3, 14, 15, 9, 26)  # noqa: DTZ001  # local wall time, as the format has it
COUNTS = (Channel("Fp1", "eeg", "count", 0, 1023, 1.0), Channel("left-arm", "emg", "count", 0, 1023, 1.0))


def write(path: Path, info: StreamInfo, blocks: list[Block], marks: list[Annotation] | None = None) -> None:
    writer = EdfWriter(path, info, STARTED)
    for block in blocks:
        writer.write(block)
    for mark in marks or []:
        writer.annotate(mark)
    writer.close()


def counts(n: int, channels: int = 2, top: int = 1024) -> Samples:
    return np.random.default_rng(5).integers(0, top, (n, channels)).astype(float)


def together(path: Path) -> Samples:
    return np.concatenate([block.samples for block in read(path).blocks()])


def test_two_libraries_and_we_read_the_same_samples_and_annotations(tmp_path: Path) -> None:
    path = tmp_path / "a.edf"
    samples = counts(2600)
    marks = [Annotation(0.5, 0.0, "blink"), Annotation(3.25, 1.5, "contraction"), Annotation(9.9, 0.0, "µ ü")]
    write(path, StreamInfo(COUNTS, 250), [Block(samples, 0)], marks)

    ours = read(path)
    assert np.array_equal(together(path), samples)
    assert ours.info.rate == 250
    assert [(c.name, c.kind, c.unit, c.step) for c in ours.info.channels] == [
        ("Fp1", "eeg", "count", 1.0),
        ("left-arm", "emg", "count", 1.0),
    ]
    expected = [(m.onset, m.duration, m.label) for m in marks]
    assert [
        (a.onset, a.duration, a.label) for a in ours.annotations if a.label != "end of signal"
    ] == expected

    edf = edfio.read_edf(path)
    assert edf.labels == ("EEG Fp1", "EMG left-arm")
    assert edf.is_continuous
    assert edf.reserved == "EDF+C"
    assert edf.startdatetime == STARTED
    assert edf.patient.name == "X"
    for column, signal_ in enumerate(edf.signals):
        assert np.array_equal(signal_.data[:2600], samples[:, column])
        assert signal_.sampling_frequency == 250
    theirs = [(a.onset, a.duration or 0.0, a.text) for a in edf.annotations if a.text != "end of signal"]
    assert theirs == expected

    with pyedflib.EdfReader(str(path)) as other:
        for column in range(2):
            assert np.array_equal(other.readSignal(column)[:2600], samples[:, column])
        onsets, durations, texts = other.readAnnotations()
        found = {
            (round(float(o), 4), max(0.0, float(d)), str(t))
            for o, d, t in zip(onsets, durations, texts, strict=True)
        }
        assert set(expected) <= found
        assert other.getPatientCode() == ""


@pytest.mark.parametrize(
    ("channel", "values"),
    [
        (Channel("c", "ecg", "count", 0, 1023, 1.0), counts(600, 1)),
        (Channel("c", "ecg", "uV", 0.0, 1023 * 4.8828125, 4.8828125), counts(600, 1) * 4.8828125),
        (Channel("c", "ecg", "mV", -5.12, 5.115, 0.005), (counts(600, 1) - 500) / 200),
        (Channel("c", "ecg", "uV", -3200, 3200, 0.1), (counts(600, 1, 60000) - 30000) / 10),
        (Channel("c", "ecg"), counts(600, 1)),
        (Channel("c", "ecg"), (counts(600, 1, 60000) + 700000) / 100),
        (Channel("c", "ecg", "uV"), -(counts(600, 1, 60000) + 200000) / 10),
        (Channel("c", "ecg", "count", -(2**23) + 8, 2**23 - 8, 1.0), counts(600, 1, 2**23 - 9)),
    ],
    ids=["10-bit", "10-bit-uV", "200-a-mV", "0.1-uV", "unstated", "two-decimals", "one-decimal", "24-bit"],
)
def test_values_come_back_bit_for_bit(tmp_path: Path, channel: Channel, values: Samples) -> None:
    path = tmp_path / "a.bdf"
    write(path, StreamInfo((channel,), 200), [Block(values, 0)])
    assert np.array_equal(together(path), values)
    assert read(path).info.channels[0].unit == channel.unit


def test_values_of_no_decimal_grid_come_back_as_good_as_equal(tmp_path: Path) -> None:
    values = np.random.default_rng(1).normal(0, 30, (500, 1))
    write(tmp_path / "a.bdf", StreamInfo((Channel("c", "eeg"),), 250), [Block(values, 0)])
    assert np.max(np.abs(together(tmp_path / "a.bdf") - values)) < 1e-8 * np.abs(values).max()


@pytest.mark.parametrize("digits", [0, 2, 4, 12])
def test_what_comes_later_may_be_far_larger_than_the_first_second(tmp_path: Path, digits: int) -> None:
    """A muscle at rest, then at work: fifty times as much (voluntary maximum over rest, from memory)."""
    random = np.random.default_rng(2)
    rest, work = random.normal(0, 40, (500, 1)), random.normal(0, 2000, (500, 1))
    values = np.round(np.concatenate((rest, work)), digits)
    write(tmp_path / "a.bdf", StreamInfo((Channel("arm", "emg"),), 250), [Block(values, 0)])
    error = np.abs(together(tmp_path / "a.bdf") - values).max()
    assert error <= (0.0 if digits <= 4 else 1e-8 * np.abs(values).max())


_RANDOM = np.random.default_rng(8)
_FIRST = _RANDOM.integers(0, 1024, (700, 1)).astype(float)


@pytest.mark.parametrize(
    ("first", "later", "width", "signals"),
    [
        (_FIRST, _FIRST, 2, 1),
        (_FIRST, _FIRST * 3000, 3, 1),
        (_FIRST, _FIRST * 3_000_000, 3, 2),
        (_FIRST, _FIRST + 0.25, 3, 1),
        (_FIRST * 0, np.round(_RANDOM.normal(0, 1, (700, 1)), 6), 3, 1),
        (_FIRST, _RANDOM.integers(-(2**31), 2**31, (700, 1)).astype(float), 3, 2),
    ],
    ids=["as before", "larger", "far larger", "with decimals", "after a flat start", "32 bits"],
)
def test_a_file_grows_wider_when_later_values_need_it(
    tmp_path: Path, first: Samples, later: Samples, width: int, signals: int
) -> None:
    """Equal in three libraries: two signals of 24 bits are added up as the header says they are to be."""
    values = np.concatenate((first, later))
    values[620:630] = np.nan
    blocks = [Block(values[:601], 0), Block(values[601:1200], 900), Block(values[1200:], 1499)]
    written = tmp_path / "a.edf"
    write(written, StreamInfo((Channel("arm", "emg"),), 250), blocks, [Annotation(3.0, 0.5, "mark")])
    back = read(written)
    got = np.concatenate([block.samples for block in back.blocks()])
    assert np.array_equal(got, values, equal_nan=True)
    assert [(s.first, len(s.raw)) for s in back.segments] == [(0, 601), (900, 799)]
    assert ("mark", 3.0, 0.5) in [(a.label, a.onset, a.duration) for a in back.annotations]
    assert list(tmp_path.iterdir()) == [written]
    assert (written.read_bytes()[:1] == b"\xff") == (width == 3)

    # Without gaps, which one of the libraries refuses.
    path = tmp_path / ("b.bdf" if width == 3 else "b.edf")
    values = np.nan_to_num(values)
    write(written.with_stem("b"), StreamInfo((Channel("arm", "emg"),), 250), [Block(values, 0)])
    written.with_stem("b").rename(path)
    edf = (edfio.read_bdf if width == 3 else edfio.read_edf)(path)
    assert len(edf.signals) == signals
    raw = mne.io.read_raw_bdf if width == 3 else mne.io.read_raw_edf
    theirs = [
        sum(signal_.data for signal_ in edf.signals),
        raw(path, verbose=False, preload=True).get_data().sum(axis=0),
    ]
    with pyedflib.EdfReader(str(path)) as other:
        theirs.append(sum(other.readSignal(index) for index in range(signals)))
    for samples in theirs:
        assert samples[:1400] == pytest.approx(values[:, 0], rel=1e-12, abs=1e-9)


@given(
    first=st.lists(st.floats(allow_nan=True, allow_infinity=True, width=64), min_size=1, max_size=6),
    later=st.lists(st.floats(allow_nan=True, allow_infinity=True, width=64), min_size=1, max_size=6),
)
@settings(max_examples=300)
def test_no_values_upset_the_scales(first: list[float], later: list[float]) -> None:
    channels = (Channel("c", "eeg"),)
    samples, more = np.array(first)[:, None], np.array(later)[:, None]
    scales, width = scales_for(channels, samples)
    held = np.abs(np.where(np.isfinite(samples), samples, 0.0)).max(axis=0)
    codes = scales[0].encode(samples[:, 0])
    wider = wider_scales(channels, scales, more, held, least_width=width)
    new = scales[0] if wider is None else wider[0][0]
    kept = new.convert(codes, scales[0])
    # What was stored keeps its value, and what is missing stays missing.
    lost = -scales[0].limit * scales[0].factor
    assert np.array_equal(kept == -new.limit * new.factor, codes == lost)
    there = codes != lost
    assert kept[there] * new.step == pytest.approx(codes[there] * scales[0].step, rel=1e-9)
    assert np.abs(kept[there]).max(initial=0) <= new.bound
    for scale in (scales[0], new):
        assert len(f"-{scale.physical}") <= 8
        assert len(f"-{scale.remainder_physical}") <= 8


def test_24_bits_are_read_by_two_libraries(tmp_path: Path) -> None:
    path = tmp_path / "a.bdf"
    values = counts(500, 1, 8_000_000) - 4_000_000
    channel = Channel("O1", "eeg", "count", -(2**23) + 8, 2**23 - 8, 1.0)
    write(path, StreamInfo((channel,), 250), [Block(values, 0)], [Annotation(1.0, 0.0, "mark")])
    assert edfio.read_bdf(path).reserved == "BDF+C"
    assert np.array_equal(edfio.read_bdf(path).signals[0].data, values[:, 0])
    assert [a.text for a in edfio.read_bdf(path).annotations] == ["mark"]
    with pyedflib.EdfReader(str(path)) as other:
        assert np.array_equal(other.readSignal(0), values[:, 0])
        assert list(other.readAnnotations()[2]) == ["mark"]


def test_gaps_and_missing_values_come_back_as_such(tmp_path: Path) -> None:
    path = tmp_path / "a.edf"
    values = counts(1000)
    values[100:110, 1] = np.nan
    blocks = [
        Block(values[:301], 0),
        Block(values[301:500], 1234),  # in the middle of a record
        Block(values[500:551], 1433),  # no gap
        Block(values[551:], 5000),
    ]
    write(path, StreamInfo(COUNTS, 250), blocks, [Annotation(20.1, 0.0, "late")])
    back = list(read(path).blocks())
    assert [(block.first, block.end) for block in back] == [(0, 301), (1234, 1484), (5000, 5449)]
    assert np.array_equal(np.concatenate([b.samples for b in back]), values, equal_nan=True)
    labels = [(a.label, a.onset, a.duration) for a in read(path).annotations if a.label in ("gap", "late")]
    assert labels[0] == ("gap", pytest.approx(301 / 250), pytest.approx((1234 - 301) / 250))
    assert ("late", 20.1, 0.0) in labels
    edf = edfio.read_edf(path)
    assert edf.reserved == "EDF+D"
    assert not edf.is_continuous


@pytest.mark.parametrize("rate", [83.33, 83.34, 125.0, 250 / 3, 199.7, 1000.0, 12.5])
def test_rates_that_do_not_fill_a_second(tmp_path: Path, rate: float) -> None:
    path = tmp_path / "a.edf"
    values = counts(2000)
    blocks = [Block(values[:777], 0), Block(values[777:], 3000)]
    write(path, StreamInfo(COUNTS, rate), blocks)
    back = read(path)
    assert back.info.rate == pytest.approx(rate, rel=1e-6)
    assert [(segment.first, len(segment.raw)) for segment in back.segments] == [(0, 777), (3000, 1223)]
    assert np.array_equal(together(path), values)
    # A power cut loses at most what one record holds.
    assert record_shape(rate, 2).seconds < 2


def test_a_block_at_a_time_or_all_at_once_gives_the_same_file(tmp_path: Path) -> None:
    values = counts(1500)
    info = StreamInfo(COUNTS, 250)
    write(tmp_path / "a.edf", info, [Block(values, 0)])
    write(tmp_path / "b.edf", info, [Block(values[i : i + 7], i) for i in range(0, 1500, 7)])
    assert (tmp_path / "a.edf").read_bytes() == (tmp_path / "b.edf").read_bytes()


def test_more_annotations_than_fit_are_all_kept(tmp_path: Path) -> None:
    marks = [Annotation(1 + i / 1000, 0.0, f"mark number {i} " + "x" * 200) for i in range(60)]
    write(tmp_path / "a.edf", StreamInfo(COUNTS, 250), [Block(counts(600), 0)], marks)
    back = read(tmp_path / "a.edf")
    assert [a.label[:16] for a in back.annotations if a.label.startswith("mark")] == [
        m.label[:16] for m in marks
    ]
    assert np.array_equal(together(tmp_path / "a.edf"), counts(600))


def test_an_existing_file_is_not_overwritten(tmp_path: Path) -> None:
    path = tmp_path / "a.edf"
    path.write_text("mine")
    with pytest.raises(RecordingError, match="there already"):
        EdfWriter(path, StreamInfo(COUNTS, 250), STARTED)
    assert path.read_text() == "mine"
    with pytest.raises(RecordingError, match="cannot be written"):
        EdfWriter(tmp_path / "no-folder" / "a.edf", StreamInfo(COUNTS, 250), STARTED)


def test_a_recording_that_begins_late_begins_at_its_first_sample(tmp_path: Path) -> None:
    write(
        tmp_path / "a.edf",
        StreamInfo(COUNTS, 250),
        [Block(counts(500), 1000)],
        [Annotation(4.5, 0.0, "mark")],
    )
    back = read(tmp_path / "a.edf")
    assert back.first == 0
    assert [a.onset for a in back.annotations if a.label == "mark"] == [0.5]


RECORD_FOR_EVER = """
import sys, time
from datetime import datetime
import numpy as np
from bridge.recordings.edf_writer import EdfWriter
from bridge.signals.types import *
info = StreamInfo((Channel("Fp1", "eeg", "count", 0, 1023, 1.0),), 250)
writer = EdfWriter(sys.argv[1], info, datetime(2026, 3, 14))
first = 0
while True:
    writer.write(Block(np.arange(first, first + 50).reshape(-1, 1) % 1024.0, first))
    first += 50
    writer.annotate(Annotation(first / 250, 0.0, f"at {first}"))
    print(first, flush=True)
    time.sleep(0.005)
"""


def test_what_is_left_after_kill_9_is_whole(tmp_path: Path) -> None:
    path = tmp_path / "a.edf"
    with subprocess.Popen(
        [sys.executable, "-c", RECORD_FOR_EVER, str(path)], stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        taken = 0
        while taken < 250 * 8:
            taken = int(process.stdout.readline())
        process.send_signal(signal.SIGKILL)
        rest = process.stdout.read().split()
    taken = int(rest[-1]) if rest else taken
    for torn in (b"", b"\x01\x02\x03"):
        with path.open("ab") as file:
            file.write(torn)
        samples = together(path)[:, 0]
        # At most two seconds are lost.
        assert taken - 2 * 250 <= samples.size <= taken + 50
        assert np.array_equal(samples, np.arange(samples.size) % 1024)
        labels = [a.label for a in read(path).annotations]
        assert labels == [f"at {50 * (i + 1)}" for i in range(len(labels))]
        assert len(labels) >= samples.size / 50 - 6
    assert np.array_equal(edfio.read_edf(path).signals[0].data, samples)
    os.truncate(path, path.stat().st_size - 3)
    with pyedflib.EdfReader(str(path)) as other:
        assert np.array_equal(other.readSignal(0), samples)
        assert list(other.readAnnotations()[2]) == labels


GROW_FOR_EVER = """
import sys
from datetime import datetime
import numpy as np
from bridge.recordings.edf_writer import EdfWriter
from bridge.signals.types import *
writer = EdfWriter(sys.argv[1], StreamInfo((Channel("Fp1", "eeg"),), 250), datetime(2026, 3, 14))
size, first = 1.0, 0
while True:
    # Once a record larger by so much that the file is written anew again and again.
    for _ in range(5):
        writer.write(Block(np.arange(first, first + 100).reshape(-1, 1) % 97 * size, first))
        first += 100
    print(first, flush=True)
    size = size * 70 if size < 1e9 else size
"""


@pytest.mark.parametrize("lines", [1, 2, 3, 4, 5, 6, 8])
def test_kill_9_while_the_file_grows_wider_leaves_it_whole(tmp_path: Path, lines: int) -> None:
    path = tmp_path / "a.bdf"
    with subprocess.Popen(
        [sys.executable, "-c", GROW_FOR_EVER, str(path)], stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        process.stdout.readline()
        while path.stat().st_size < 768 or int(path.read_bytes()[236:244]) < lines:
            process.stdout.readline()
        process.send_signal(signal.SIGKILL)
    samples = together(path)[:, 0]
    size = 1.0
    truth: list[float] = []
    while len(truth) < samples.size:
        at = len(truth)
        truth.extend((np.arange(at, at + 500) % 97 * size).tolist())
        size = size * 70 if size < 1e9 else size
    assert samples.size >= 200 * lines
    assert np.array_equal(samples, truth[: samples.size])


def test_a_full_disk_is_reported(tmp_path: Path) -> None:
    if not Path("/dev/full").exists():
        pytest.skip("needs /dev/full")
    writer = EdfWriter("/dev/full", StreamInfo(COUNTS, 250), STARTED, overwrite=True)

    def record() -> None:
        for first in range(0, 250 * 100, 250):
            writer.write(Block(counts(250), first))
            time.sleep(0.01)

    with pytest.raises(RecordingError, match="cannot be written on"):
        record()
    with pytest.raises(RecordingError):
        writer.close()


def test_a_choice_of_channels_keeps_raw_counts(tmp_path: Path) -> None:
    values = counts(500)
    write(tmp_path / "a.edf", StreamInfo(COUNTS, 250), [Block(values, 0)])
    back = read(tmp_path / "a.edf", channels=[ChannelChoice("left-arm")])
    assert np.array_equal(next(back.blocks()).samples[:, 0], values[:, 1])

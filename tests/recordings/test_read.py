"""Reading recordings and references, good and bad."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import edfio
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bridge.recordings import ChannelChoice, Recording, RecordingError, read, read_annotations
from bridge.recordings.annotations import write_csv_annotations
from bridge.signals.types import Annotation, Samples


def csv(tmp_path: Path, text: str, name: str = "a.csv") -> Path:
    path = tmp_path / name
    path.write_bytes(text.encode())
    return path


def samples(recording: Recording) -> Samples:
    return np.concatenate([block.samples for block in recording.blocks()])


def test_csv_with_times(tmp_path: Path) -> None:
    path = csv(tmp_path, "time,vertical,horizontal\n0,1,2\n0.005,3,4\n0.01,5,6\n")
    recording = read(path)
    assert recording.info.rate == 200
    assert [(c.name, c.kind) for c in recording.info.channels] == [
        ("vertical", "eog-vertical"),
        ("horizontal", "eog-horizontal"),
    ]
    assert np.array_equal(samples(recording), [[1, 2], [3, 4], [5, 6]])
    assert recording.seconds == pytest.approx(3 / 200)


def test_csv_without_times_needs_a_rate(tmp_path: Path) -> None:
    path = csv(tmp_path, "ecg\n1\n2\n")
    assert read(path, rate=250).info.rate == 250
    with pytest.raises(RecordingError, match="--rate"):
        read(path)
    with pytest.raises(RecordingError, match="makes no sense"):
        read(path, rate=-1)


@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_csv_dialects(tmp_path: Path, separator: str, end: str) -> None:
    rows = [["\ufefftime", "ecg [mV]", "Fp1"], ["0", "1.5", "2"], ["0.1", "", "nan"], ["0.2", "-1e1", "inf"]]
    recording = read(csv(tmp_path, end.join(separator.join(row) for row in rows) + end))
    assert [(c.name, c.unit) for c in recording.info.channels] == [("ecg", "mV"), ("Fp1", "count")]
    # A cell that is missing or not finite is not there: NaN.
    assert np.array_equal(samples(recording), [[1.5, 2], [np.nan, np.nan], [-10, np.nan]], equal_nan=True)


def test_decimal_commas_between_semicolons(tmp_path: Path) -> None:
    recording = read(csv(tmp_path, "time;ecg\n0;1,5\n0,1;2,5\n"))
    assert np.array_equal(samples(recording)[:, 0], [1.5, 2.5])


def test_the_choice_selects_orders_and_names_kinds(tmp_path: Path) -> None:
    path = csv(tmp_path, "time,a,b,ring1,ring2\n0,1,2,3,4\n0.01,5,6,7,8\n")
    recording = read(path, channels=[ChannelChoice("b", "emg"), ChannelChoice("a", "ecg")])
    assert [(c.name, c.kind) for c in recording.info.channels] == [("b", "emg"), ("a", "ecg")]
    assert np.array_equal(samples(recording), [[2, 1], [6, 5]])
    recording = read(path, channels=[ChannelChoice("ring*", "emg")])
    assert [c.name for c in recording.info.channels] == ["ring1", "ring2"]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "empty"),
        ("\n1,2\n", "line 1 is empty"),
        ("1,2\n3,4\n", "numbers, not channel names"),
        ("time,ecg\n", "no rows"),
        ("time,ecg\n0,1\n0.1,x\n", r"line 3: 'x' is not a number"),
        ("time,ecg\n0,1\n0.1\n", r"line 3: 1 cells where the header has 2"),
        ("time,ecg\n0,1\n0.1,1,2\n", r"line 3: 3 cells where the header has 2"),
        ("time,ecg\n0,1\n0.2,1\n0.1,1\n", r"row 3 below the header: its time is before"),
        ("time,ecg\n0,1\n,1\n0.1,1\n", r"row 2 below the header: its time is missing"),
        ("time,ecg\n0,1\n", "too few rows"),
        ("time,left,ecg\n0,1,2\n", r"channel 'left' carries .* --channel left --kind"),
        ("time,left,right\n0,1,2\n", r"channels 'left', 'right' carry"),
    ],
)
def test_bad_csv_says_where_and_what(tmp_path: Path, text: str, message: str) -> None:
    with pytest.raises(RecordingError, match=message):
        read(csv(tmp_path, text))


def test_files_that_cannot_be(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match="no such file"):
        read(tmp_path / "none.csv")
    with pytest.raises(RecordingError, match="a folder"):
        read(tmp_path)
    with pytest.raises(RecordingError, match="cannot be read"):
        read(csv(tmp_path, "x", "a.docx"))
    (tmp_path / "b.csv").write_bytes(b"time,ecg\n0,\xff\n")
    with pytest.raises(RecordingError, match="not UTF-8"):
        read(tmp_path / "b.csv")
    for name in ("a.edf", "a.bdf", "a.hea"):
        for content in ("", "garbage", "0" * 600):
            with pytest.raises(RecordingError):
                read(csv(tmp_path, content, name))
    with pytest.raises(RecordingError, match="there is no channel 'x'; it has: ecg"):
        read(csv(tmp_path, "time,ecg\n0,1\n1,2\n"), channels=[ChannelChoice("x")])


@settings(max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.binary(max_size=400) | st.text(alphabet="0123456789,.;-\n\r\t ateicg", max_size=400).map(str.encode)
)
def test_any_content_is_read_or_refused_in_words(tmp_path: Path, content: bytes) -> None:
    for name in ("f.csv", "f.reference.csv"):
        path = tmp_path / name
        path.write_bytes(content)
        message = str(path)
        try:
            read(path, rate=100) if name == "f.csv" else read_annotations(path)
        except RecordingError as error:
            message = str(error)
        assert str(path) in message


def timed(tmp_path: Path, times: Samples) -> Recording:
    rows = "\n".join(f"{t:.6f},{i}" for i, t in enumerate(times))
    return read(csv(tmp_path, f"time,ecg\n{rows}\n"))


def test_gaps_in_the_times_are_gaps(tmp_path: Path) -> None:
    index = np.r_[0:500, 503:1000, 4000:4100, 4101:5000]
    recording = timed(tmp_path, index / 250)
    assert recording.info.rate == 250
    assert [(s.first, len(s.raw)) for s in recording.segments] == [
        (0, 500),
        (503, 497),
        (4000, 100),
        (4101, 899),
    ]
    assert recording.samples == index.size
    blocks = list(recording.blocks(64))
    assert blocks[0].first == 0
    assert blocks[-1].end == 5000
    assert all(len(block) <= 64 for block in blocks)


@pytest.mark.parametrize("rate", [83.34, 125.0, 128.0, 250.0, 1000.0])
def test_jitter_bursts_and_rounding_are_no_gaps(tmp_path: Path, rate: float) -> None:
    random = np.random.default_rng(4)
    ideal = np.arange(4000) / rate
    jittered = np.maximum.accumulate(ideal + random.exponential(2 / rate, ideal.size))
    bursts = np.ceil(ideal * rate / 8) * 8 / rate
    milliseconds = np.round(ideal, 3)
    for times in (jittered, bursts, milliseconds):
        recording = timed(tmp_path, times)
        assert len(recording.segments) == 1
        assert recording.info.rate == pytest.approx(rate, rel=0.002)


@pytest.mark.parametrize("rate", [83.33, 128.0, 200.0, 250.0, 360.0])
@pytest.mark.parametrize(("share", "run"), [(0.01, 1), (0.05, 1), (0.2, 1), (0.05, 4), (0.05, 16)])
@pytest.mark.parametrize("stamps", ["exact", "milliseconds", "jittered", "drifting"])
def test_scattered_losses_are_no_slower_clock(
    tmp_path: Path, rate: float, share: float, run: int, stamps: str
) -> None:
    """Rows that are not there leave the grid of the others as it was."""
    random = np.random.default_rng(9)
    keep = np.ones(6000, dtype=bool)
    for at in random.integers(0, keep.size, round(share * keep.size / run)):
        keep[at : at + run] = False
    index = np.flatnonzero(keep)
    times = index / rate
    if stamps == "milliseconds":
        times = np.round(times, 3)
    elif stamps == "jittered":
        times = np.maximum.accumulate(times + random.normal(0, 0.08 / rate, index.size))
    elif stamps == "drifting":  # by 20 parts in a million, as a crystal that warms up
        times = times + 0.5 * 20e-6 * times**2 / times[-1]
    recording = timed(tmp_path, times)
    assert recording.info.rate == pytest.approx(rate, rel=5e-5)
    found = np.concatenate([s.first + np.arange(len(s.raw)) for s in recording.segments])
    np.testing.assert_array_equal(found - found[0], index - index[0])


def test_empty_cells_are_lost_samples_in_their_place(tmp_path: Path) -> None:
    recording = read(csv(tmp_path, "time,ecg\n0.00,1\n0.01,\n0.02,3\n0.04,5\n0.05,nan\n0.06,7\n"))
    assert recording.info.rate == 100
    assert [segment.first for segment in recording.segments] == [0, 4]
    samples = np.concatenate([block.samples[:, 0] for block in recording.blocks()])
    np.testing.assert_array_equal(samples, [1, np.nan, 3, 5, np.nan, 7])


def test_a_gap_is_found_among_jitter(tmp_path: Path) -> None:
    random = np.random.default_rng(4)
    index = np.r_[0:1000, 1200:2000]
    times = np.maximum.accumulate(index / 250 + random.exponential(0.004, index.size))
    recording = timed(tmp_path, times)
    assert [len(s.raw) for s in recording.segments] == [1000, 800]
    assert recording.segments[1].first == pytest.approx(1200, abs=3)


def test_a_file_that_starts_late_keeps_its_own_time(tmp_path: Path) -> None:
    recording = timed(tmp_path, 325 + np.arange(500) / 200)
    assert recording.first == 65000
    assert recording.seconds == 2.5


def test_references(tmp_path: Path) -> None:
    path = csv(tmp_path, "onset,duration,label\n2,0,blink\n1.5,5,contraction\n\n3,,blink?\n")
    assert read_annotations(path) == (
        Annotation(1.5, 5.0, "contraction"),
        Annotation(2.0, 0.0, "blink"),
        Annotation(3.0, 0.0, "blink?"),
    )
    write_csv_annotations(tmp_path / "b.csv", read_annotations(path))
    assert read_annotations(tmp_path / "b.csv") == read_annotations(path)
    for text, message in (
        ("a,b\n1,2\n", "does not name the columns"),
        ("onset,duration,label\nx,0,blink\n", r"line 2: the onset 'x'"),
        ("onset,duration,label\n1,-2,blink\n", "below 0"),
        ("onset,duration,label\n1,0,\n", "label is missing"),
        ("onset,duration,label\n1,0\n", "2 cells"),
    ):
        with pytest.raises(RecordingError, match=message):
            read_annotations(csv(tmp_path, text))


def test_edf_of_another_writer(tmp_path: Path) -> None:
    values = np.random.default_rng(0).normal(0, 50, 1000)
    edfio.Edf(
        [
            edfio.EdfSignal(values, 250, label="EEG Fp1", physical_dimension="uV"),
            edfio.EdfSignal(values / 1000, 250, label="ECG", physical_dimension="mV"),
            edfio.EdfSignal(values[:100], 25, label="Resp chest"),
        ],
        annotations=[edfio.EdfAnnotation(1.5, None, "blink"), edfio.EdfAnnotation(2, 0.5, "cue")],
        recording=edfio.Recording(startdate=date(2020, 1, 1)),
    ).write(tmp_path / "a.edf")
    path = tmp_path / "a.edf"
    with pytest.raises(RecordingError, match="Resp chest"):
        read(path)
    with pytest.raises(RecordingError, match="differ in sampling rate"):
        read(path, channels=[ChannelChoice("ECG"), ChannelChoice("Resp chest", "emg")])
    recording = read(path, channels=[ChannelChoice("ECG"), ChannelChoice("eeg fp1")])
    assert [(c.name, c.kind, c.unit) for c in recording.info.channels] == [
        ("ECG", "ecg", "mV"),
        ("EEG Fp1", "eeg", "uV"),
    ]
    reference = edfio.read_edf(path)
    assert np.allclose(samples(recording)[:, 1], reference.signals[0].data, atol=1e-9)
    assert recording.annotations == (Annotation(1.5, 0.0, "blink"), Annotation(2.0, 0.5, "cue"))
    assert read_annotations(path) == recording.annotations


def test_the_wfdb_record_and_its_beats(data_dir: Path) -> None:
    # MIT-BIH record 100: 650,000 samples at 360 Hz, 2273 beats; first samples 995 and 1011 (its header).
    for name in ("100", "100.hea", "100.dat"):
        recording = read(data_dir / "ecg" / name)
        assert recording.info.rate == 360
        assert [(c.name, c.kind, c.unit) for c in recording.info.channels] == [
            ("MLII", "ecg", "mV"),
            ("V5", "ecg", "mV"),
        ]
    assert recording.samples == 650_000
    first = next(recording.blocks(1)).samples[0]
    assert np.allclose(first * 200 + 1024, [995, 1011])
    for name in ("100.atr", "100.hea", "100"):
        beats = read_annotations(data_dir / "ecg" / name)
        assert len(beats) == 2273
        assert {beat.label for beat in beats} == {"heartbeat"}
    assert recording.annotations == beats


def test_the_real_csv_recordings(data_dir: Path) -> None:
    rates = {"eog/blinks-200hz.csv": 200, "eog/gaze-83hz.csv": 83.34, "eeg/eye-state-128hz.csv": 128}
    for name, rate in rates.items():
        recording = read(data_dir / name)
        assert recording.info.rate == pytest.approx(rate, rel=1e-4)
        assert len(recording.segments) == 1
        assert recording.first == 0
        assert read_annotations(data_dir / name.replace(".csv", ".reference.csv"))

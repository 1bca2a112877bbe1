"""Columns of times in other units, comments, and what is asked where a header says too little."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from bridge.recordings import ChannelChoice, Recording, RecordingError, read
from bridge.signals.types import Samples

RATE_HZ = 250.0
SECONDS = np.arange(500) / RATE_HZ


def written(tmp_path: Path, head: str, times: Samples, *, above: str = "", places: int = 6) -> Path:
    rows = "\n".join(f"{time:.{places}f},{i % 7}" for i, time in enumerate(times.tolist()))
    path = tmp_path / "a.csv"
    path.write_text(f"{above}{head}\n{rows}\n", encoding="utf-8")
    return path


def values(recording: Recording) -> Samples:
    return np.concatenate([block.samples for block in recording.blocks()])


@pytest.mark.parametrize(
    ("column", "per_second"),
    [
        ("time_ms", 1e3),
        ("time [ms]", 1e3),
        ("Time (milliseconds)", 1e3),
        ("millis", 1e3),
        ("ms", 1e3),
        ("timestamp_ms", 1e3),
        ("micros", 1e6),
        ("time_us", 1e6),
        ("time (µs)", 1e6),
        ("time_ns", 1e9),
        ("timestamp (s)", 1.0),
        ("seconds", 1.0),
        ("t", 1.0),
    ],
)
def test_the_unit_that_the_header_states(tmp_path: Path, column: str, per_second: float) -> None:
    recording = read(written(tmp_path, f"{column},ecg", SECONDS * per_second))
    assert recording.info.rate == RATE_HZ
    assert [channel.name for channel in recording.info.channels] == ["ecg"]
    assert recording.seconds == 2.0


@pytest.mark.parametrize("per_second", [1.0, 1e3, 1e6, 1e9])
def test_a_timestamp_is_in_the_unit_that_makes_sense(tmp_path: Path, per_second: float) -> None:
    recording = read(written(tmp_path, "timestamp,ecg", SECONDS * per_second))
    assert recording.info.rate == RATE_HZ


@pytest.mark.parametrize("per_second", [1.0, 1e3])
def test_a_timestamp_that_is_a_date_begins_at_0(tmp_path: Path, per_second: float) -> None:
    recording = read(written(tmp_path, "timestamp,ecg", (1_700_000_000 + SECONDS) * per_second))
    assert recording.info.rate == RATE_HZ
    assert recording.first == 0


def test_dates_in_words(tmp_path: Path) -> None:
    """ISO 8601, extended format, with and without a zone."""
    for zone in ("", "Z", "+02:00"):
        rows = "\n".join(
            f"2024-05-01T10:{i // 25 // 60:02d}:{i // 25 % 60:02d}.{i % 25 * 40:03d}{zone},{i}"
            for i in range(3000)
        )
        path = tmp_path / "dates.csv"
        path.write_text(f"timestamp,ecg\n{rows}\n", encoding="utf-8")
        recording = read(path)
        assert recording.info.rate == 25
        assert recording.first == 0
        assert recording.seconds == 120


def test_time_that_cannot_be_seconds_is_asked_about(tmp_path: Path) -> None:
    path = written(tmp_path, "time,ecg", SECONDS * 1e3)
    with pytest.raises(
        RecordingError,
        match=r"is `time` in milliseconds\? If so, call the column `time_ms`, or give --rate 250",
    ):
        read(path)
    assert read(path, rate=250).info.rate == 250
    with pytest.raises(RecordingError, match=r"is `time` in microseconds\?"):
        read(written(tmp_path, "time,ecg", SECONDS * 1e6))


def test_a_slow_signal_in_seconds_stays_in_seconds(tmp_path: Path) -> None:
    recording = read(written(tmp_path, "time,envelope", np.arange(50) / 10))
    assert recording.info.rate == 10


def test_a_column_of_times_need_not_come_first(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text("ecg,time_ms\n" + "\n".join(f"{i},{4 * i}" for i in range(50)) + "\n", encoding="utf-8")
    recording = read(path)
    assert recording.info.rate == 250
    assert np.array_equal(values(recording)[:, 0], np.arange(50))


def test_comments_are_no_rows(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text("# made by me\n#\ntime,ecg\n0,1\n# a pause\n0.1,2 # said\n0.2,3\n", encoding="utf-8")
    assert np.array_equal(values(read(path))[:, 0], [1, 2, 3])
    path.write_text("# made by me\ntime,ecg\n0,1\n# a pause\n0.1,x\n", encoding="utf-8")
    with pytest.raises(RecordingError, match="line 5: 'x' is not a number"):
        read(path)
    path.write_text("# made by me\n# and no more\n", encoding="utf-8")
    with pytest.raises(RecordingError, match="nothing but comments"):
        read(path)


def test_a_header_that_numpy_wrote(tmp_path: Path) -> None:
    """numpy.savetxt puts ``# `` before the header unless told otherwise (NumPy reference, ``comments``)."""
    path = tmp_path / "a.csv"
    np.savetxt(path, np.column_stack((SECONDS, SECONDS)), delimiter=",", header="time,ecg")
    recording = read(path)
    assert recording.info.rate == RATE_HZ
    assert recording.samples == len(SECONDS)


def test_doubled_names_are_refused_unless_another_is_read(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text("time,ecg,emg [mV],emg (mV)\n0,1,2,3\n0.1,1,2,3\n", encoding="utf-8")
    with pytest.raises(RecordingError, match="2 columns are called 'emg'; rename all but one"):
        read(path)
    assert read(path, channels=[ChannelChoice("ecg")]).samples == 2
    with pytest.raises(RecordingError, match=r"2 c.* are called 'emg'"):
        read(path, channels=[ChannelChoice("emg*")])


@pytest.mark.parametrize(
    ("label", "unit", "factor"),
    [
        ("ecg [mV]", "mV", 1.0),
        ("ecg (V)", "uV", 1e6),
        ("ecg_mV", "mV", 1.0),
        ("ecg_uv", "uV", 1.0),
        ("ecg / µV", "uV", 1.0),
        ("ecg", "count", 1.0),
        ("eog_v", "count", 1.0),
    ],
)
def test_units_in_headers(tmp_path: Path, label: str, unit: str, factor: float) -> None:
    recording = read(written(tmp_path, f"time,{label}", SECONDS))
    (channel,) = recording.info.channels
    assert channel.unit == unit
    assert values(recording)[3, 0] == 3 * factor

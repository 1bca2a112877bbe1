"""Headers that are broken, in every field: a RecordingError that says what and where, and nothing else.

The fields and their places: the EDF specification (1992), and header(5) of the WFDB library.
"""

from __future__ import annotations

import stat
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from bridge.recordings import RecordingError, read, read_annotations
from bridge.recordings.edf_writer import EdfWriter
from bridge.recordings.recorder import Recorder
from bridge.signals.types import Block, Channel, StreamInfo

INFO = StreamInfo((Channel("a", "eeg", "uV"), Channel("b", "emg", "count")), 50.0)
SETTINGS = settings(max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture])


@dataclass(frozen=True)
class Whole:
    """A file that is as it should be, and its ending."""

    ending: str
    plain: bytes = field(repr=False)


def written(path: Path) -> bytes:
    writer = EdfWriter(path, INFO, datetime(2026, 1, 2, 3, 4, 5))  # noqa: DTZ001  # wall time, as EDF has it
    writer.write(Block(np.arange(400.0).reshape(200, 2), 0))
    writer.close()
    return path.read_bytes()


@pytest.fixture(scope="module", params=[".edf", ".bdf"])
def whole(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Whole:
    ending: str = request.param
    plain = written(tmp_path_factory.mktemp("edf") / f"a{ending}")
    if ending == ".bdf":  # the same bytes, read with samples of three
        plain = b"\xffBIOSEMI" + plain[8:].replace(b"EDF Annotations", b"BDF Annotations")
    return Whole(ending, plain)


def reads_or_says_why(path: Path) -> None:
    told = []
    for reader in (read, read_annotations):
        try:
            reader(path)
        except RecordingError as error:
            told.append(str(error))
    assert all(str(path.with_suffix("")) in each and "\n" not in each for each in told)


@SETTINGS
@given(at=st.integers(0, 1023), put=st.binary(min_size=1, max_size=80))
@example(at=252, put=b"0   ")
@example(at=252, put=b"-1  ")
@example(at=252, put=b"9999")
@example(at=236, put=b"99999999")
@example(at=236, put=b"-1      ")
@example(at=236, put=b"-9      ")
@example(at=244, put=b"nan     ")
@example(at=244, put=b"inf     ")
@example(at=244, put=b"0       ")
@example(at=244, put=b"-1      ")
@example(at=244, put=b"1e-300  ")
def test_any_change_of_an_edf_header(whole: Whole, tmp_path: Path, at: int, put: bytes) -> None:
    ending, plain = whole.ending, whole.plain
    path = tmp_path / f"a{ending}"
    path.write_bytes(plain[:at] + put + plain[at + len(put) :])
    reads_or_says_why(path)


@SETTINGS
@given(
    field=st.sampled_from([0, 16, 96, 104, 112, 120, 128, 136, 216]),
    signal=st.integers(0, 2),
    put=st.sampled_from(
        ["nan", "inf", "-inf", "", "0", "-0", "-1", "1e308", "1e-308", "99999999", "x", "1_0", "٣"]
    )
    | st.floats().map(repr)
    | st.integers(-(10**7), 10**7).map(str),
)
def test_any_number_in_a_signals_fields(
    whole: Whole, tmp_path: Path, field: int, signal: int, put: str
) -> None:
    ending, plain = whole.ending, whole.plain
    at = 256 + field * 3 + 8 * signal
    path = tmp_path / f"a{ending}"
    path.write_bytes(plain[:at] + put.encode()[:8].ljust(8) + plain[at + 8 :])
    reads_or_says_why(path)


@SETTINGS
@given(length=st.integers(0, 2000))
def test_any_end_of_an_edf_file(whole: Whole, tmp_path: Path, length: int) -> None:
    ending, plain = whole.ending, whole.plain
    path = tmp_path / f"a{ending}"
    path.write_bytes(plain[:length])
    reads_or_says_why(path)


def test_the_place_is_told(whole: Whole, tmp_path: Path) -> None:
    ending, plain = whole.ending, whole.plain
    path = tmp_path / f"a{ending}"
    for at, put, told in (
        (252, b"many", r"byte 252 of the header, number of signals: 'many'"),
        (244, b"nan     ", r"byte 244 of the header, duration of a record"),
        (256 + 104 * 3 + 8, b"low     ", r"byte 576 of the header, physical minimum of signal 2: 'low     '"),
    ):
        path.write_bytes(plain[:at] + put + plain[at + len(put) :])
        with pytest.raises(RecordingError, match=told):
            read(path)


HEADER = "a {signals} {rate} {length}\na.dat {format} {gain} {bits} {zero} 0 0 0 ecg\n"


@SETTINGS
@given(
    fields=st.fixed_dictionaries(
        {
            name: st.sampled_from(
                [
                    "0",
                    "-1",
                    "1",
                    "nan",
                    "inf",
                    "",
                    "x",
                    "99999999999",
                    "1e308",
                    "16",
                    "212",
                    "200",
                    "0.0",
                    "(0)/mV",
                ]
            )
            | st.text(alphabet="0123456789.-+e/()mVx ", max_size=8)
            for name in ("signals", "rate", "length", "format", "gain", "bits", "zero")
        }
    )
)
@example(
    {"signals": "1", "rate": "nan", "length": "4", "format": "16", "gain": "200", "bits": "16", "zero": "0"}
)
@example(
    {"signals": "1", "rate": "0", "length": "4", "format": "16", "gain": "200", "bits": "16", "zero": "0"}
)
@example(
    {"signals": "1", "rate": "9", "length": "4", "format": "16", "gain": "0", "bits": "99999999", "zero": "0"}
)
@example(
    {"signals": "1", "rate": "9", "length": "4", "format": "16", "gain": "nan", "bits": "16", "zero": "0"}
)
@example({"signals": "0", "rate": "9", "length": "0", "format": "16", "gain": "1", "bits": "16", "zero": "0"})
def test_any_wfdb_header(tmp_path: Path, fields: dict[str, str]) -> None:
    path = tmp_path / "a.hea"
    path.write_text(HEADER.format(**fields))
    (tmp_path / "a.dat").write_bytes(bytes(range(8)))
    (tmp_path / "a.atr").write_bytes(b"\1\4\0\0")
    reads_or_says_why(path)


@SETTINGS
@given(st.binary(max_size=300))
def test_any_bytes_as_a_wfdb_header(tmp_path: Path, plain: bytes) -> None:
    path = tmp_path / "a.hea"
    path.write_bytes(plain)
    (tmp_path / "a.atr").write_bytes(plain[::-1])
    reads_or_says_why(path)


@pytest.mark.parametrize("name", [".", "..", "/", "", "a\0b", "x" * 300 + ".edf", "x/" * 3000])
def test_a_recording_by_a_name_that_cannot_be(name: str) -> None:
    for reader in (read, read_annotations):
        with pytest.raises(RecordingError):
            reader(name)
    recorder = Recorder(name)
    with pytest.raises(RecordingError):
        recorder.opened({"one": INFO})
    with pytest.raises(RecordingError):
        Recorder(name).opened({"one": INFO, "two": INFO})


def test_a_recording_is_for_its_owner_alone(tmp_path: Path) -> None:
    """Also after it was rewritten for larger values."""
    path = tmp_path / "a.edf"
    writer = EdfWriter(path, INFO, datetime(2026, 1, 2, 3, 4, 5))  # noqa: DTZ001  # wall time, as EDF has it
    writer.write(Block(np.zeros((200, 2)), 0))
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    writer.write(Block(np.full((200, 2), 1e6), 200))
    writer.close()
    assert stat.S_IMODE(path.stat().st_mode) == 0o600


def test_a_number_that_is_none_is_told_in_our_words(tmp_path: Path) -> None:
    plain = written(tmp_path / "a.edf")
    for at, name in ((184, "bytes of the header"), (236, "records"), (252, "signals")):
        (tmp_path / "b.edf").write_bytes(plain[:at] + b"9x9 " + plain[at + 4 :])
        with pytest.raises(RecordingError, match=f"byte {at} of the header, number of {name}: '9x9 "):
            read(tmp_path / "b.edf")


def test_a_file_that_ends_early_says_how_much_is_there(tmp_path: Path) -> None:
    """200 samples at 50 Hz are 4 records of a second."""
    path = tmp_path / "a.edf"
    plain = written(path)
    assert read(path).note == ""
    head = 256 * 4
    record = (len(plain) - head) // 4
    path.write_bytes(plain[: head + 2 * record + record // 2])
    recording = read(path)
    assert recording.seconds == 2.0
    assert recording.note == (
        f"{path}: the file ends early: 2 of the 4 records that its header announces are there, 2.0 of 4.0 s"
    )
    path.write_bytes(plain[: head + record // 2])
    with pytest.raises(RecordingError, match="no samples; it ends before the first of 4 records is whole"):
        read(path)

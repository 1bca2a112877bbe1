"""What an EDF or BDF header must hold before anything is read by it; errors say which field, and where.

European Data Format specification (1992), header record; BDF differs in the sample's width alone.
"""

from __future__ import annotations

import math
import os
from pathlib import Path

from bridge.recordings.recording import RecordingError

_FIXED = 256  # bytes before the fields of the signals, and the bytes of those for each signal
_MOST_SIGNALS = 9999  # four characters
_LARGEST_RECORD = 1 << 28  # bytes; the specification advises 61,440
# Offset among the fields of one signal, width and name, of what is read as a number.
_NUMBERS = (
    (104, 8, "physical minimum"),
    (112, 8, "physical maximum"),
    (120, 8, "digital minimum"),
    (128, 8, "digital maximum"),
    (216, 8, "number of samples in each record"),
)


def check_header(path: Path) -> None:
    """Raises RecordingError for a header that no recording can have; OSError where it cannot be read."""
    with path.open("rb") as file:
        size = os.fstat(file.fileno()).st_size
        head = file.read(_FIXED)
        if len(head) < _FIXED:
            raise RecordingError(path, f"the header ends at byte {len(head)} of {_FIXED}")
        signals = _whole(path, head[252:256], "number of signals", 252)
        if not 1 <= signals <= _MOST_SIGNALS:
            raise _wrong(path, "number of signals", 252, f"{signals} is not from 1 to {_MOST_SIGNALS}")
        if size < _FIXED * (signals + 1):
            raise RecordingError(
                path, f"the file of {size} bytes is too short for the header of its {signals} signals"
            )
        _whole(path, head[184:192], "number of bytes of the header", 184)
        _whole(path, head[236:244], "number of records", 236)
        seconds = _number(path, head[244:252], "duration of a record", 244)
        if seconds < 0:
            raise _wrong(path, "duration of a record", 244, f"{seconds:g} s makes no sense")
        fields = file.read(_FIXED * signals)
    width = 3 if head[:1] == b"\xff" else 2
    record = 0
    for number in range(signals):
        found: dict[str, float] = {}
        for offset, length, name in _NUMBERS:
            at = offset * signals + number * length
            told = f"{name} of signal {number + 1}"
            read = _number if name.startswith("physical") else _whole
            found[name] = read(path, fields[at : at + length], told, _FIXED + at)
        count = found["number of samples in each record"]
        if count < 0:
            at = _FIXED + 216 * signals + 8 * number
            raise _wrong(path, f"number of samples of signal {number + 1}", at, f"{count:g} makes no sense")
        if found["digital minimum"] >= found["digital maximum"]:
            at = _FIXED + 120 * signals + 8 * number
            raise _wrong(
                path, f"digital range of signal {number + 1}", at, "its minimum is not below its maximum"
            )
        record += int(count) * width
    if record > _LARGEST_RECORD:
        raise RecordingError(path, f"its records of {record} bytes each are larger than any recording has")


def announced_records(path: Path) -> int:
    """How many data records a checked header announces; -1 where the writer had not come to its end."""
    with path.open("rb") as file:
        return int(file.read(_FIXED)[236:244])


def _number(path: Path, text: bytes, name: str, at: int) -> float:
    try:
        value = float(text.decode("ascii").strip(" "))
    except ValueError:
        raise _wrong(path, name, at, f"{text.decode('latin-1')!r} is no number") from None
    if not math.isfinite(value):
        raise _wrong(path, name, at, f"{value} is no number")
    return value


def _whole(path: Path, text: bytes, name: str, at: int) -> int:
    try:
        return int(text.decode("ascii").strip(" "))
    except ValueError:
        raise _wrong(path, name, at, f"{text.decode('latin-1')!r} is no whole number") from None


def _wrong(path: Path, name: str, at: int, why: str) -> RecordingError:
    return RecordingError(path, f"byte {at} of the header, {name}: {why}")

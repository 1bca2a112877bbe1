"""The head of a CSV file: its comments, the names of its columns, and which column holds the times."""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from bridge.recordings.kinds import channel_name, unit_in
from bridge.recordings.recording import RecordingError
from bridge.signals.types import Samples

COMMENT = "#"
# How many of a unit make a second, by the words that columns of times are called after.
_PER_SECOND = {
    1.0: ("s", "sec", "secs", "second", "seconds"),
    1e3: ("ms", "msec", "msecs", "milli", "millis", "millisecond", "milliseconds"),
    1e6: ("us", "usec", "usecs", "micro", "micros", "microsecond", "microseconds"),
    1e9: ("ns", "nsec", "nsecs", "nano", "nanos", "nanosecond", "nanoseconds"),
}
_UNIT_OF_WORD = {word: per for per, words in _PER_SECOND.items() for word in words}
_UNIT_WORDS = {1e3: "milliseconds", 1e6: "microseconds", 1e9: "nanoseconds"}
_COLUMN_WORDS = {1e3: "time_ms", 1e6: "time_us", 1e9: "time_ns"}
_TIME_WORDS = {"time", "t", "timestamp", "elapsed"}
_SHORT = {"t", "s", "ms", "us", "ns"}  # too short to be sure of anywhere but in the first column
# No signal of the body is sampled more slowly than this (Hz); times that say so are in another unit.
_SLOWEST_HZ = 5.0
_USUAL_HZ = (10.0, 10_000.0)  # a thousand to one, as the units are: at most one of them fits
_SECONDS_OF_A_DATE = 1e8  # three years: so late a time is a date, counted from 1970
_MEND = "the first line must name the channels, as in `time,vertical,horizontal`"


@dataclass(frozen=True, slots=True)
class Header:
    """``labels`` of the columns; ``times``: which of them holds times, None for none; ``per_second``: of the
    unit that its name states, None where it states none. ``body`` starts at line ``line`` of the file.
    """

    delimiter: str
    labels: tuple[str, ...]
    times: int | None
    per_second: float | None
    body: str
    line: int

    @property
    def signals(self) -> tuple[int, ...]:
        """The columns that are no times."""
        return tuple(i for i, label in enumerate(self.labels) if i != self.times and not _is_time(label, i))


def read_header(path: Path, text: str) -> Header:
    """Lines before it that begin with ``#`` are comments; the last may be it. Raises RecordingError."""
    if not text.strip():
        raise RecordingError(path, "the file is empty", _MEND)
    head, number, rest, comment = "", 0, text, ""
    while True:
        head, _, rest = rest.partition("\n")
        number += 1
        if not head.lstrip().startswith(COMMENT):
            break
        comment = head.lstrip().lstrip(COMMENT)
        if not rest:
            raise RecordingError(path, "it holds nothing but comments", _MEND)
    if not head.strip():
        raise RecordingError(path, f"line {number} is empty", _MEND)
    delimiter = delimiter_of(head)
    labels = _cells(head, delimiter)
    if all(_is_number(label) for label in labels):
        above = _cells(comment, delimiter)
        if len(above) != len(labels) or any(_is_number(label) or not label for label in above):
            raise RecordingError(path, f"line {number} holds numbers, not channel names", _MEND)
        labels, rest, number = above, f"{head}\n{rest}", number - 1
    times = next((i for i, label in enumerate(labels) if _is_time(label, i)), None)
    per_second = None if times is None else _stated(labels[times])
    return Header(delimiter, tuple(labels), times, per_second, rest, number + 1)


def in_seconds(times: Samples, header: Header, rate_hz: float | None, path: Path) -> Samples:
    """The column of times in seconds; dates begin at 0.

    The unit is the one that its name states. Without any, seconds; where those make no sense, the unit that
    fits ``rate_hz`` or, for a ``timestamp``, the one that does. Raises RecordingError with the question.
    """
    assert header.times is not None
    seconds: Samples = times / (
        header.per_second or _guessed(times, header.labels[header.times], rate_hz, path)
    )
    known = seconds[np.isfinite(seconds)]
    if known.size and known[0] > _SECONDS_OF_A_DATE:
        seconds -= known[0]
    return seconds


def delimiter_of(head: str) -> str:
    """Comma, semicolon or tab, whichever the header row uses most."""
    return max(",;\t", key=head.count)


def _guessed(times: Samples, label: str, rate_hz: float | None, path: Path) -> float:
    steps = np.diff(times)
    steps = steps[np.isfinite(steps) & (steps > 0)]
    if not steps.size:
        return 1.0
    usual = float(np.median(steps))
    if rate_hz is not None:
        fitting = [per for per in _PER_SECOND if 0.5 < per / usual / rate_hz < 2.0]
        return fitting[0] if fitting else 1.0
    if 1 / usual >= _SLOWEST_HZ:
        return 1.0
    fitting = [per for per in _UNIT_WORDS if _USUAL_HZ[0] <= per / usual < _USUAL_HZ[1]]
    if not fitting:
        return 1.0
    per = fitting[0]
    if "stamp" in label.lower():
        return per
    raise RecordingError(
        path,
        f"the values of `{label}` are {usual:g} apart, which as seconds would be {1 / usual:.3g} Hz",
        f"is `{label}` in {_UNIT_WORDS[per]}? If so, call the column `{_COLUMN_WORDS[per]}`, "
        f"or give --rate {per / usual:g}",
    )


def _is_time(label: str, column: int) -> bool:
    words = _words(label)
    if not words or (column > 0 and len(words) == 1 and words[0] in _SHORT):
        return False
    units = [word for word in words if word in _UNIT_OF_WORD]
    return len(units) <= 1 and all(word in _TIME_WORDS or word in _UNIT_OF_WORD for word in words)


def _stated(label: str) -> float | None:
    return next((_UNIT_OF_WORD[word] for word in _words(label) if word in _UNIT_OF_WORD), None)


def _words(label: str) -> list[str]:
    plain = f"{channel_name(label)} {unit_in(label)}".lower().replace("µ", "u").replace("μ", "u")
    return [word for word in re.split(r"[\s_\-]+", plain) if word]


def _cells(line: str, delimiter: str) -> list[str]:
    return [cell.strip() for cell in next(csv.reader([line.rstrip("\r")], delimiter=delimiter), [])]


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True

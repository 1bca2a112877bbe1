"""CSV recordings: a header row of channel names, among them a column of times, if there is one."""

from __future__ import annotations

import csv
import io
import math
import warnings
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from bridge.recordings.csv_header import COMMENT, Header, in_seconds, read_header
from bridge.recordings.kinds import channel_name, unit_in, unit_of
from bridge.recordings.recording import ChannelChoice, Recording, RecordingError, Segment, selected
from bridge.recordings.timing import spacing
from bridge.signals.types import Channel, Samples, StreamInfo

_MISSING = {"", "nan", "na", "n/a", "null", "none", "inf", "+inf", "-inf", "infinity", "-infinity"}


def read_csv(path: Path, rate: float | None, choices: Sequence[ChannelChoice] | None) -> Recording:
    """Raises RecordingError with the line number of a bad row."""
    header = read_header(path, read_text(path))
    columns = header.signals
    labels = [header.labels[column] for column in columns]
    if not labels:
        raise RecordingError(path, "it holds times and no channels")
    chosen = selected(labels, choices, path)
    names = [channel_name(labels[index]) for index, _ in chosen]
    twice = next((name for name in names if names.count(name) > 1), None)
    if twice is not None:
        raise RecordingError(path, f"{names.count(twice)} columns are called {twice!r}", "rename all but one")

    table = _table(path, header)
    if table.shape[0] == 0:
        raise RecordingError(path, "there are no rows of samples below the header")
    channels: list[Channel] = []
    samples = np.ascontiguousarray(table[:, [columns[index] for index, _ in chosen]])
    samples[~np.isfinite(samples)] = np.nan
    for position, (name, (index, kind)) in enumerate(zip(names, chosen, strict=True)):
        unit, factor = unit_of(unit_in(labels[index]))
        if factor != 1.0:
            samples[:, position] *= factor
        channels.append(Channel(name, kind, unit))
    if header.times is not None:
        spaced = spacing(in_seconds(table[:, header.times], header, rate, path), rate, path)
        segments = [Segment(first, samples[start:stop]) for first, start, stop in spaced.runs]
        return Recording(StreamInfo(tuple(channels), spaced.rate), segments)
    if rate is None:
        raise RecordingError(
            path,
            "the sampling rate is not known",
            "give it with --rate HZ, or a column `time` (seconds) or `time_ms`",
        )
    check_rate(rate, path)
    return Recording(StreamInfo(tuple(channels), rate), [Segment(0, samples)])


def check_rate(rate: float, where: Path) -> None:
    """Raises RecordingError for a sampling rate that cannot be."""
    if not (math.isfinite(rate) and rate > 0):
        raise RecordingError(where, f"a sampling rate of {rate} Hz makes no sense", "give a number above 0")


def read_text(path: Path) -> str:
    """The file as text, a byte order mark taken off. Raises RecordingError."""
    try:
        return path.read_bytes().decode("utf-8-sig").replace("\r\n", "\n").replace("\r", "\n")
    except UnicodeDecodeError as error:
        raise RecordingError(path, f"byte {error.start} is not UTF-8 text", "save it as UTF-8") from error
    except OSError as error:
        raise RecordingError(path, f"cannot be read ({error.strerror})") from error


def _table(path: Path, header: Header) -> Samples:
    """All cells, shape (rows, columns), missing ones NaN. Fast where all cells are numbers, else row by row.

    What follows a ``#`` is a comment. Dates of the column of times are told in seconds from 1970.
    """
    body, width = header.body, len(header.labels)
    if header.delimiter == ";" and "," in body:
        body = body.replace(",", ".")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", UserWarning)  # of an empty body, which the caller reports
            table = np.loadtxt(io.StringIO(body), delimiter=header.delimiter, ndmin=2, comments=COMMENT)
        if table.shape[0] == 0:
            return np.empty((0, width))
        if table.shape[1] == width:
            return table
    except ValueError:
        pass
    rows: list[list[float]] = []
    lines = (line.partition(COMMENT)[0] for line in body.split("\n"))
    for number, cells in enumerate(csv.reader(lines, delimiter=header.delimiter), start=header.line):
        if not cells or (len(cells) == 1 and width > 1 and not cells[0].strip()):
            continue
        if len(cells) != width:
            raise RecordingError(f"{path}, line {number}", f"{len(cells)} cells where the header has {width}")
        rows.append([_cell(cell, path, number, dated=i == header.times) for i, cell in enumerate(cells)])
    return np.array(rows, dtype=np.float64).reshape(-1, width)


def _cell(text: str, path: Path, line: int, *, dated: bool) -> float:
    plain = text.strip()
    if plain.lower() in _MISSING:
        return math.nan
    try:
        return float(plain)
    except ValueError:
        if dated and (seconds := _date(plain)) is not None:
            return seconds
        raise RecordingError(
            f"{path}, line {line}", f"{text[:40]!r} is not a number", "leave a missing value empty"
        ) from None


def _date(text: str) -> float | None:
    """An ISO 8601 date and time in seconds from 1970; UTC where it names no time zone."""
    try:
        date = datetime.fromisoformat(text)
        return (date if date.tzinfo is not None else date.replace(tzinfo=UTC)).timestamp()
    except (ValueError, OverflowError):
        return None

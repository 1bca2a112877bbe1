"""CSV recordings: a header row of channel names, an optional first column of times in seconds."""

from __future__ import annotations

import csv
import io
import math
import re
import warnings
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from bridge.recordings.kinds import channel_name, unit_in, unit_of
from bridge.recordings.recording import ChannelChoice, Recording, RecordingError, Segment, selected
from bridge.recordings.timing import spacing
from bridge.signals.types import Channel, Samples, StreamInfo

_TIME = re.compile(r"(?i)\s*(?:time|t|seconds)(?:[\s_]*(?:[\[(]\s*s(?:ec(?:onds)?)?\s*[\])]|s))?\s*")
_MISSING = {"", "nan", "na", "n/a", "null", "none", "inf", "+inf", "-inf", "infinity", "-infinity"}


def read_csv(path: Path, rate: float | None, choices: Sequence[ChannelChoice] | None) -> Recording:
    """Raises RecordingError with the line number of a bad row."""
    text = read_text(path)
    head, _, body = text.partition("\n")
    if not head.strip():
        raise RecordingError(
            path, "the file is empty" if not text.strip() else "line 1 is empty", _HEADER_MEND
        )
    delimiter = delimiter_of(head)
    labels = [cell.strip() for cell in next(csv.reader([head.rstrip("\r")], delimiter=delimiter))]
    if all(_is_number(label) for label in labels):
        raise RecordingError(path, "line 1 holds numbers, not channel names", _HEADER_MEND)
    timed = bool(_TIME.fullmatch(labels[0]))
    names = [channel_name(label) for label in labels]
    chosen = selected(labels[1:] if timed else labels, choices, path)
    offset = 1 if timed else 0
    columns = [index + offset for index, _ in chosen]

    table = _table(path, body, delimiter, len(labels))
    if table.shape[0] == 0:
        raise RecordingError(path, "there are no rows of samples below the header")
    channels: list[Channel] = []
    samples = np.ascontiguousarray(table[:, columns])
    samples[~np.isfinite(samples)] = np.nan
    for position, (index, kind) in enumerate(chosen):
        unit, factor = unit_of(unit_in(labels[index + offset]))
        if factor != 1.0:
            samples[:, position] *= factor
        channels.append(Channel(names[index + offset], kind, unit))
    if timed:
        spaced = spacing(table[:, 0], rate, path)
        segments = [Segment(first, samples[start:stop]) for first, start, stop in spaced.runs]
        return Recording(StreamInfo(tuple(channels), spaced.rate), segments)
    if rate is None:
        raise RecordingError(
            path, "the sampling rate is not known", "give it with --rate HZ, or a first column `time`"
        )
    check_rate(rate, path)
    return Recording(StreamInfo(tuple(channels), rate), [Segment(0, samples)])


_HEADER_MEND = "the first line must name the channels, as in `time,vertical,horizontal`"


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


def delimiter_of(head: str) -> str:
    """Comma, semicolon or tab, whichever the header row uses most."""
    return max(",;\t", key=head.count)


def _table(path: Path, body: str, delimiter: str, width: int) -> Samples:
    """All cells, shape (rows, width), missing ones NaN. Fast where all cells are numbers, else row by row."""
    if delimiter == ";" and "," in body:
        body = body.replace(",", ".")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", UserWarning)  # of an empty body, which the caller reports
            table = np.loadtxt(io.StringIO(body), delimiter=delimiter, ndmin=2, comments=None)
        if table.shape[0] == 0:
            return np.empty((0, width))
        if table.shape[1] == width:
            return table
    except ValueError:
        pass
    rows: list[list[float]] = []
    lines = body.split("\n")
    for number, cells in enumerate(csv.reader(lines, delimiter=delimiter), start=2):
        if not cells or (len(cells) == 1 and width > 1 and not cells[0].strip()):
            continue
        if len(cells) != width:
            raise RecordingError(f"{path}, line {number}", f"{len(cells)} cells where the header has {width}")
        rows.append([_cell(cell, path, number) for cell in cells])
    return np.array(rows, dtype=np.float64).reshape(-1, width)


def _cell(text: str, path: Path, line: int) -> float:
    plain = text.strip()
    if plain.lower() in _MISSING:
        return math.nan
    try:
        return float(plain)
    except ValueError:
        raise RecordingError(
            f"{path}, line {line}", f"{text[:40]!r} is not a number", "leave a missing value empty"
        ) from None


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True

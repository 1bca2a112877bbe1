"""Reference annotations as CSV: ``onset,duration,label``, times in seconds."""

from __future__ import annotations

import csv
import math
from collections.abc import Iterable
from pathlib import Path

from bridge.recordings.csv_file import read_text
from bridge.recordings.csv_header import delimiter_of
from bridge.recordings.recording import RecordingError
from bridge.recordings.tal import in_order, seconds_text
from bridge.signals.types import Annotation

_MEND = "the first line must be `onset,duration,label`"


def read_csv_annotations(path: Path) -> tuple[Annotation, ...]:
    """In order of time. Raises RecordingError with the line number of a bad row."""
    lines = read_text(path).split("\n")
    delimiter = delimiter_of(lines[0])
    names = [cell.strip().lower() for cell in next(csv.reader([lines[0]], delimiter=delimiter), [])]
    if "onset" not in names or "label" not in names:
        raise RecordingError(f"{path}, line 1", "it does not name the columns of a reference", _MEND)
    onset_at, label_at = names.index("onset"), names.index("label")
    duration_at = names.index("duration") if "duration" in names else None
    found = []
    for number, cells in enumerate(csv.reader(lines[1:], delimiter=delimiter), start=2):
        if not any(cell.strip() for cell in cells):
            continue
        where = f"{path}, line {number}"
        if len(cells) != len(names):
            raise RecordingError(where, f"{len(cells)} cells where the header has {len(names)}")
        onset = _seconds(cells[onset_at], "onset", where)
        duration = 0.0 if duration_at is None else _seconds(cells[duration_at] or "0", "duration", where)
        label = cells[label_at].strip()
        if duration < 0:
            raise RecordingError(where, f"the duration {duration:g} is below 0")
        if not label:
            raise RecordingError(where, "the label is missing")
        found.append(Annotation(onset, duration, label))
    return in_order(found)


def write_csv_annotations(path: Path, annotations: Iterable[Annotation]) -> None:
    """Write what ``read_csv_annotations`` reads. Raises OSError."""
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(["onset", "duration", "label"])
        writer.writerows([seconds_text(a.onset), seconds_text(a.duration), a.label] for a in annotations)


def _seconds(text: str, name: str, where: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise RecordingError(where, f"the {name} {text[:40]!r} is not a number of seconds")
    return value

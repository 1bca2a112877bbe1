"""The recordings of the benchmark, each with its reference, and changes that must not matter."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy import signal

from bridge.recordings import ChannelChoice, Recording, read, read_annotations
from bridge.recordings.recording import Segment
from bridge.signals.types import Annotation, Channel, ChannelKind, Samples, StreamInfo

sys.path.append(str(Path(__file__).parents[2] / "detectors"))


@dataclass(frozen=True)
class Material:
    """One recording for one detector; ``reference`` None: unannotated, only rates are given."""

    name: str
    detector: str
    recording: Recording
    reference: tuple[Annotation, ...] | None


def recording_of(samples: Samples, rate_hz: float, names: list[str], kind: ChannelKind) -> Recording:
    channels = tuple(Channel(name, kind) for name in names)
    return Recording(StreamInfo(channels, rate_hz), (Segment(0, samples),))


def samples_of(recording: Recording) -> Samples:
    return np.concatenate([block.samples for block in recording.blocks()])


def annotated(data: Path) -> Iterator[Material]:
    """The recordings with labels, in shared data."""
    for lead in ("MLII", "V5"):
        yield Material(
            f"MIT-BIH 100 {lead}",
            "heartbeat",
            read(data / "ecg/100.hea", channels=[ChannelChoice(lead)]),
            read_annotations(data / "ecg/100.atr"),
        )
    for file, detector in (("eog/blinks-200hz", "blink"), ("eog/gaze-83hz", "gaze")):
        choice = [ChannelChoice("vertical" if detector == "blink" else "horizontal")]
        yield Material(
            file.partition("/")[2],
            detector,
            read(data / f"{file}.csv", channels=choice),
            read_annotations(data / f"{file}.reference.csv"),
        )
    yield Material(
        "eye-state AF3+AF4",
        "blink",
        read(data / "eeg/eye-state-128hz.csv", channels=[ChannelChoice("AF3"), ChannelChoice("AF4")]),
        read_annotations(data / "eeg/eye-state-128hz.reference.csv"),
    )
    for file in sorted((data / "emg").glob("cued-*[0-9].csv")):
        yield Material(
            file.stem,
            "contraction",
            read(file, channels=[ChannelChoice("ring*", "emg")]),
            read_annotations(file.with_suffix(".reference.csv")),
        )


def consensus_material() -> Iterator[Material]:
    """Unannotated ECGs that registry packages carry; the reference is where four of five libraries agree.

    A consensus is not the truth.
    """
    from ecg_recordings import consensus, mitdb_208, raw_counts, resting

    from tests.bench.accuracy.libraries import heartbeats

    for name, load in (("MIT-BIH 208", mitdb_208), ("peakdet sample", resting), ("pyhrv sample", raw_counts)):
        samples, rate_hz = load()
        times, counts = consensus(list(heartbeats(samples, rate_hz).values()))
        marks = [
            Annotation(float(time), 0.0, "heartbeat" if count >= 4 else "heartbeat?")
            for time, count in zip(times, counts, strict=True)
        ]
        yield Material(
            f"{name} (4 of 5)",
            "heartbeat",
            recording_of(samples[:, None], rate_hz, ["ecg"], "ecg"),
            tuple(marks),
        )


Change = Callable[[Samples, float], tuple[Samples, float]]


def _hum(hum_hz: float) -> Change:
    def add(samples: Samples, rate_hz: float) -> tuple[Samples, float]:
        times = np.arange(len(samples))[:, None] / rate_hz
        spread = np.percentile(samples, 97.5, axis=0) - np.percentile(samples, 2.5, axis=0)
        return samples + spread / 2 * np.sin(2 * np.pi * hum_hz * times), rate_hz

    return add


def _to(rate_hz: float) -> Change:
    def resample(samples: Samples, own_hz: float) -> tuple[Samples, float]:
        up, down = round(rate_hz * 100), round(own_hz * 100)
        return signal.resample_poly(samples - samples[0], up, down, axis=0), own_hz * up / down

    return resample


CHANGES: dict[str, Change] = {
    "gain 0.1": lambda samples, rate_hz: (samples * 0.1, rate_hz),
    "gain 10": lambda samples, rate_hz: (samples * 10, rate_hz),
    "offset": lambda samples, rate_hz: (samples + 1000 * samples.std(axis=0), rate_hz),
    "inverted": lambda samples, rate_hz: (-samples, rate_hz),
    "50 Hz hum": _hum(50),
    "60 Hz hum": _hum(60),
    "250 Hz": _to(250),
    "500 Hz": _to(500),
    "1000 Hz": _to(1000),
}


def changed(material: Material, change: str) -> Material | None:
    """The same recording after a change; None where its rate does not allow it (up only; hum it carries)."""
    own_hz = material.recording.info.rate
    if change.endswith(" Hz hum") and float(change.split()[0]) >= 0.45 * own_hz:
        return None
    if change.endswith(" Hz") and float(change.split()[0]) <= own_hz:
        return None
    samples, rate_hz = CHANGES[change](samples_of(material.recording), own_hz)
    reference = material.reference
    if change == "inverted" and material.detector == "gaze" and reference is not None:
        turned = {"left": "right", "right": "left"}
        reference = tuple(
            Annotation(
                item.onset,
                item.duration,
                next((item.label.replace(a, b) for a, b in turned.items() if a in item.label), item.label),
            )
            for item in reference
        )
    # The converter's rails no longer hold for the changed numbers.
    channels = tuple(Channel(item.name, item.kind, item.unit) for item in material.recording.info.channels)
    info = StreamInfo(channels, rate_hz)
    return Material(material.name, material.detector, Recording(info, (Segment(0, samples),)), reference)

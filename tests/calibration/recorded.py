"""The real recordings as a fit needs them: samples, labels, and cuts of both."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from bridge.calibration.evidence import Fitted
from bridge.calibration.labels import read_labels
from bridge.calibration.trials import Trial, judge
from bridge.calibration.tuning import TUNINGS, starts
from bridge.evaluation.from_recording import RecordingRunner, calibrate
from bridge.pipeline import Wanted, bind
from bridge.recordings import ChannelChoice, Recording, read, read_annotations
from bridge.recordings.recording import Segment
from bridge.signals.types import Annotation, Samples, StreamInfo

CUED = (
    "cued-12345-1-1",
    "cued-12345-1-7",
    "cued-21547-2-1",
    "cued-21547-2-7",
    "cued-45612-1-2",
    "cued-45612-1-7",
)
PAIRS = tuple(zip(CUED[0::2], CUED[1::2], strict=True))  # the same person twice


@dataclass(frozen=True)
class Recorded:
    """A recording with its labels for one detector."""

    detector: str
    info: StreamInfo
    first: int
    samples: Samples
    labels: tuple[Annotation, ...]

    @property
    def recording(self) -> Recording:
        return Recording(self.info, [Segment(self.first, self.samples)])

    @property
    def start_s(self) -> float:
        return self.first / self.info.rate

    @property
    def end_s(self) -> float:
        return (self.first + len(self.samples)) / self.info.rate

    def cut(self, start_s: float, end_s: float) -> Recorded:
        low = max(0, round(start_s * self.info.rate) - self.first)
        high = max(low, round(end_s * self.info.rate) - self.first)
        labels = tuple(item for item in self.labels if start_s <= item.onset < end_s)
        return replace(self, first=self.first + low, samples=self.samples[low:high], labels=labels)

    def every_other(self) -> Recorded:
        """With half of the electrodes, for half of the work."""
        info = replace(self.info, channels=self.info.channels[::2])
        return replace(self, info=info, samples=self.samples[:, ::2])

    def changed(self, samples: Samples) -> Recorded:
        return replace(self, samples=samples)

    def fit(self, *, few: bool = False, ratio: float = 3.0) -> Fitted:
        binding = bind(self.info, [Wanted(self.detector)])[0]
        return calibrate(self.recording, binding, self.labels, few=few, ratio=ratio).fitted

    def score(self, settings: Mapping[str, Any]) -> tuple[Trial, float]:
        """What these settings find here, and the minutes that were judged."""
        binding = bind(self.info, [Wanted(self.detector)])[0]
        kinds = TUNINGS[self.detector].acts
        labels = read_labels(self.labels, kinds, self.start_s, self.end_s)
        events = starts(RecordingRunner(self.recording, binding)(settings), kinds)
        return judge(settings, events, labels, None), labels.minutes


def load(folder: Path, name: str) -> Recorded:
    """``blinks``, ``gaze`` or one of ``CUED``."""
    detector, file, choice = {
        "blinks": ("blink", "eog/blinks-200hz", ChannelChoice("vertical")),
        "gaze": ("gaze", "eog/gaze-83hz", ChannelChoice("horizontal")),
    }.get(name, ("contraction", f"emg/{name}", ChannelChoice("ring*", "emg")))
    recording = read(folder / f"{file}.csv", channels=[choice])
    samples = np.concatenate([block.samples for block in recording.blocks()])
    labels = read_annotations(folder / f"{file}.reference.csv")
    return Recorded(detector, recording.info, recording.first, samples, labels)


def f1(trials: list[Trial]) -> float:
    """Pooled."""
    hits = sum(trial.hits for trial in trials)
    asked = sum(len(trial.answers) for trial in trials)
    false = sum(len(trial.false) for trial in trials)
    return 2 * hits / (asked + hits + false)

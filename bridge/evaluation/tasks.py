"""What `detect`, `evaluate` and `calibrate` do with one recording, from the file's name to the result.

A task is small and can be sent to another process or machine, which then reads the file itself.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

from bridge.calibration.labels import LabelError
from bridge.calibration.profile import DetectorProfile, Profile, ProfileError, part_of
from bridge.calibration.vocabulary import told, unknown_labels
from bridge.detectors.kinds import Tolerance
from bridge.evaluation.from_recording import calibrate
from bridge.evaluation.running import Evaluation, Run, Tally, bind_detector, evaluate, run, tally
from bridge.evaluation.scores import Score
from bridge.evaluation.units import check_unit
from bridge.pipeline import Binding, BindingError
from bridge.recordings import ChannelChoice, Recording, RecordingError, read, read_annotations
from bridge.signals.types import Annotation, Event

REFUSALS = (RecordingError, BindingError, ProfileError, LabelError)
"""What says that a recording, its labels or its options cannot be used."""

Progress = Callable[[float, float], None]
"""Told how much is done and of how much, in seconds of signal."""


@dataclass(frozen=True, slots=True)
class Material:
    """A recording and how to read it.

    ``named``: the detector is to have all the ``channels``, not the first that suits it.
    """

    path: Path
    rate_hz: float | None = None
    channels: tuple[ChannelChoice, ...] | None = None
    named: bool = False
    profile: Profile | None = None

    def read(self) -> Recording:
        """Raises RecordingError."""
        return read(self.path, rate=self.rate_hz, channels=self.channels)


def suited(
    recording: Recording, detector: str, named: bool, profile: Profile | None = None
) -> tuple[list[Binding], str]:
    """Join the detector to the channels that were ``named``, else to the first that suits it.

    A detector that takes many channels gets all that suit it. With ``profile`` it has what that holds for it.
    Also says, in words, what the recording lacks, and which channel was taken where several would do.
    Raises BindingError or ProfileError.
    """
    names = [channel.name for channel in recording.info.channels] if named else []
    bindings = bind_detector(recording, detector, names)
    if profile is not None:
        profile.settings_for(detector)  # one that says nothing of the detector was not meant
        bindings = [binding.fitted(recording.info, profile) for binding in bindings]
        for binding in bindings:
            check_unit(recording, binding.columns, detector, profile.detectors[detector])
    bindings[0].create(recording.info)  # refuses a rate or settings that do not suit, before any work
    if len(bindings) == 1 or named:
        return bindings, recording.note
    chosen, *others = (recording.info.channels[item.columns[0]].name for item in bindings)
    rest = ", ".join(others)
    note = f"{detector} works on one channel: {chosen} is used; --channel names another ({rest})."
    return bindings[:1], "\n".join(filter(None, (recording.note, note)))


@dataclass(frozen=True, slots=True)
class Detected:
    """The events in one recording, in order of decision."""

    events: tuple[Event, ...]
    seconds: float
    note: str


@dataclass(frozen=True, slots=True)
class DetectTask:
    """`detect` on one recording."""

    material: Material
    detector: str

    def __call__(self, progress: Progress | None = None) -> Detected:
        """Raises one of REFUSALS."""
        recording = self.material.read()
        bindings, note = suited(recording, self.detector, self.material.named, self.material.profile)
        events: list[Event] = []
        total_s = recording.seconds * len(bindings)
        for number, binding in enumerate(bindings):
            before_s = number * recording.seconds
            done = None if progress is None else lambda s, b=before_s: progress(b + s, total_s)
            events.extend(run(recording, binding, progress=done).events)
        events.sort(key=lambda event: (event.decided, event.onset))
        return Detected(tuple(events), recording.seconds, note)


@dataclass(frozen=True, slots=True)
class Scored:
    """What a detector is worth on one recording; ``evaluation`` is there with a reference."""

    result: Score | Tally
    run: Run
    evaluation: Evaluation | None
    note: str


@dataclass(frozen=True, slots=True)
class EvaluateTask:
    """`evaluate` on one recording."""

    material: Material
    detector: str
    skip_s: float
    reference: Path | None = None
    tolerance: Tolerance | None = None

    def __call__(self, progress: Progress | None = None) -> Scored:
        """Raises one of REFUSALS."""
        recording = self.material.read()
        bindings, note = suited(recording, self.detector, self.material.named, self.material.profile)
        if len(bindings) > 1:
            raise BindingError(
                f"{self.detector} works on one channel: name one --channel, not {len(bindings)}"
            )
        reference = (
            read_annotations(self.reference, rate=recording.info.rate) if self.reference is not None else None
        )
        done = None if progress is None else lambda s: progress(s, recording.seconds)
        found = run(recording, bindings[0], progress=done)
        if reference is None:
            return Scored(tally(recording, found, skip_s=self.skip_s), found, None, note)
        made = evaluate(recording, found, reference, skip_s=self.skip_s, tolerance=self.tolerance)
        note = "\n".join(filter(None, (note, told(unknown_labels(reference)))))
        return Scored(made.score, found, made, note)


@dataclass(frozen=True, slots=True)
class FitTask:
    """`calibrate` from one recording: all detectors or none, for a profile is written whole."""

    material: Material
    detectors: tuple[str, ...]
    person: str
    device: str
    date: str
    reference: Path | None = None
    ratio: float = 3.0
    few: bool = False
    force: bool = False
    old: Mapping[str, DetectorProfile] = field(default_factory=dict)

    def __call__(self, progress: Callable[[str, float], None] | None = None) -> Profile:
        """``progress`` is told the detector and which part of its fit is done. Raises one of REFUSALS."""
        recording = self.material.read()
        labels = self._labels(recording)
        unknown = unknown_labels(labels)
        meant = [item for item in unknown if item.meant]
        if meant:
            # A profile from half of the labels would not be what was asked for.
            raise LabelError(told(meant))
        parts = dict(self.old)
        for name in self.detectors:
            (binding, *_), _ = suited(recording, name, False)
            done = None if progress is None else lambda part, n=name: progress(n, part)
            made = calibrate(
                recording,
                binding,
                labels,
                ratio=self.ratio,
                few=self.few,
                force=self.force,
                progress=done,
            )
            fitted = made.fitted
            if further := [words for words in (told(unknown), recording.note) if words]:
                warnings = (*fitted.evidence.warnings, *further)
                fitted = replace(fitted, evidence=replace(fitted.evidence, warnings=warnings))
            parts[name] = part_of(fitted, made.channels, recording.info.rate, self.date)
        return Profile(self.person, self.device, parts)

    def _labels(self, recording: Recording) -> tuple[Annotation, ...]:
        if self.reference is not None:
            return read_annotations(self.reference, rate=recording.info.rate)
        if not recording.annotations:
            raise RecordingError(
                self.material.path, "the recording holds no cues; name a file of them with --reference"
            )
        return recording.annotations

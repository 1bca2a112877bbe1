"""A calibration from a recording and its labels: the same for a session just held and an old one."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from bridge.calibration.evidence import Fitted
from bridge.calibration.fit import DEFAULT_RATIO, fit
from bridge.calibration.labels import LabelError, Labels, Stretch, read_labels
from bridge.calibration.rested import fit_drowsiness
from bridge.calibration.trials import Run, Signal
from bridge.calibration.tuning import TUNINGS
from bridge.detectors import DETECTORS
from bridge.detectors.contract import TwoSteps
from bridge.pipeline import Binding, DetectionChain
from bridge.recordings import Recording
from bridge.signals.types import Annotation, Channel, Detection, Event

_BLOCK_S = 2.0
# More of the acts or of the time than this under a bad signal, and there is nothing to fit.
_MOST_SPOILT = 0.2
_LEAST_SPOILT = 0.01  # less of the time is not worth a word
_KEPT_RUNS = 12  # a fit asks for the same few again, mostly for the detector's own settings


@dataclass(frozen=True, slots=True)
class Calibrated:
    """A fit and the channels it was made on."""

    fitted: Fitted
    channels: tuple[Channel, ...]


class RecordingRunner:
    """Runs a detector with given settings over a recording, muted where the daemon would mute it.

    The signal's quality does not depend on the settings: where it was never bad, it is looked at only once;
    and so is a conditioning that no setting changes, where nothing was lost. No settings are run twice.
    """

    def __init__(self, recording: Recording, binding: Binding) -> None:
        self._recording, self._binding = recording, binding
        self._size = max(64, round(_BLOCK_S * recording.info.rate))
        self._names = {recording.info.channels[column].name for column in binding.columns}
        self._never_bad: bool | None = None
        self._signal: Signal | None = None
        self._runs: dict[tuple[tuple[str, Any], ...], Run] = {}
        self._conditioned: list[tuple[int, Sequence[tuple[float, float]]]] | None = None

    @property
    def signal(self) -> Signal:
        """The detector's channels as recorded, and where they were good enough."""
        if self._signal is None:
            recording, columns = self._recording, list(self._binding.columns)
            channels = tuple(recording.info.channels[column] for column in columns)
            samples = np.full((max(0, recording.end - recording.first), len(columns)), np.nan)
            for block in recording.blocks(self._size):
                start = block.first - recording.first
                samples[start : start + len(block)] = block.samples[:, columns]
            usable = np.isfinite(samples).all(axis=1)
            rate_hz = recording.info.rate
            self._signal = Signal(samples, usable, recording.first, rate_hz, channels)
            for stretch in bad_stretches(self({}), channels, recording.end / rate_hz):
                usable[self._signal.rows(stretch.start_s, stretch.end_s)] = False
        return self._signal

    def __call__(self, settings: Mapping[str, Any]) -> Run:
        key = tuple(sorted(settings.items()))
        made = self._runs.pop(key, None) or self._made(settings)
        self._runs[key] = made
        if len(self._runs) > _KEPT_RUNS:
            del self._runs[next(iter(self._runs))]
        return made

    def _made(self, settings: Mapping[str, Any]) -> Run:
        if self._never_bad and np.isfinite(self.signal.samples).all():
            signal, binding = self.signal, self._binding
            detector = binding.type.make(binding.name, signal.channels, signal.rate_hz, settings)
            if isinstance(detector, TwoSteps):
                return self._decided(detector)
        return self._run(settings)

    def _decided(self, detector: TwoSteps) -> Run:
        """A new detector over the conditioned signal, which is made once."""
        recording = self._recording
        columns = list(self._binding.columns)
        if self._conditioned is None:
            self._conditioned = [
                (block.first, detector.condition(block.part(columns)))
                for block in recording.blocks(self._size)
            ]
        found: list[Detection] = []
        values: list[float] = []
        for first, conditioned in self._conditioned:
            found.extend(detector.decide(first, conditioned))
            values.extend(y for y, _ in conditioned)
        found.extend(detector.flush())
        events = [item for item in found if isinstance(item, Event)]
        return Run(events, np.array(values), recording.first, recording.info.rate)

    def _run(self, settings: Mapping[str, Any]) -> Run:
        recording = self._recording
        binding = replace(self._binding, settings=settings)
        chain = DetectionChain(recording.info, [binding])
        detector = chain.detectors[0]
        columns = list(binding.columns)
        events: list[Event] = []
        conditioned = np.full(max(0, recording.end - recording.first), np.nan)
        for block in recording.blocks(self._size):
            found = detector.process(block.part(columns)) if self._never_bad else chain.process(block)
            events.extend(item for item in found if isinstance(item, Event))
            trace = detector.trace
            if trace is not None and trace.first >= block.first:
                start = trace.first - recording.first
                conditioned[start : start + len(trace.conditioned)] = trace.conditioned
        events.extend(item for item in chain.flush() if isinstance(item, Event))
        if self._never_bad is None:
            self._never_bad = not any(
                event.kind == "signal-lost" and event.channel in self._names for event in events
            )
        return Run(events, conditioned, recording.first, recording.info.rate)


def calibrate(
    recording: Recording,
    binding: Binding,
    annotations: Sequence[Annotation],
    *,
    ratio: float = DEFAULT_RATIO,
    few: bool = False,
    force: bool = False,
    progress: Callable[[float], None] | None = None,
) -> Calibrated:
    """Fit one detector from a recording. ``force`` goes on although the signal was bad.

    Raises LabelError when the labels or the signal do not carry a fit, BindingError when the sampling rate
    does not suit the detector.
    """
    name = binding.type.name
    run = RecordingRunner(recording, binding)
    start_s, end_s = recording.first / recording.info.rate, recording.end / recording.info.rate
    kinds = TUNINGS[name].acts if name in TUNINGS else (name,)
    labels = read_labels(annotations, kinds, start_s, end_s)
    channels = tuple(recording.info.channels[column] for column in binding.columns)
    bad = bad_stretches(run({}), channels, end_s)
    labels, warnings = _without(labels, bad, force)
    unit = channels[0].unit
    try:
        if name == "drowsiness":
            blinks = RecordingRunner(recording, replace(binding, type=DETECTORS["blink"], settings={}))
            fitted = fit_drowsiness(blinks, labels)
        else:
            fitted = fit(name, run, labels, unit=unit, ratio=ratio, few=few, progress=progress)
    except LabelError as error:
        raise LabelError("; ".join((str(error), *warnings))) from error
    evidence = replace(fitted.evidence, warnings=(*fitted.evidence.warnings, *warnings))
    return Calibrated(replace(fitted, evidence=evidence), channels)


def bad_stretches(run: Run, channels: Sequence[Channel], end_s: float) -> list[Stretch]:
    """When the signal of any of these channels was bad, and why."""
    names = {channel.name for channel in channels}
    since: dict[str, Event] = {}
    found: list[Stretch] = []
    for event in run.events:
        if event.channel not in names:
            continue
        if event.kind == "signal-lost":
            since.setdefault(event.channel, event)
        elif event.kind == "signal-back" and event.channel in since:
            lost = since.pop(event.channel)
            found.append(Stretch(lost.onset, event.onset, f"{event.channel}: {lost.note}"))
    found.extend(Stretch(lost.onset, end_s, f"{name}: {lost.note}") for name, lost in since.items())
    return sorted(found, key=lambda stretch: stretch.start_s)


def _without(labels: Labels, bad: Sequence[Stretch], force: bool) -> tuple[Labels, list[str]]:
    """The labels without the acts and the time under a bad signal. Raises LabelError when it is much."""
    firm = labels.firm
    spoilt = {act for act in firm if any(act.time_s in stretch for stretch in bad)}
    counted = _outside(labels.counted, bad)
    all_s = sum(stretch.seconds for stretch in labels.counted)
    lost_s = all_s - sum(stretch.seconds for stretch in counted)
    said = []
    if spoilt:
        said.append(f"{len(spoilt)} of {len(firm)} acts")
    if lost_s > _LEAST_SPOILT * all_s:
        said.append(f"{lost_s:.0f} of {all_s:.0f} s")
    if not said:
        return replace(labels, counted=counted), []
    reasons = "; ".join(f"{s.start_s:.1f} to {s.end_s:.1f} s {s.name}" for s in bad[:3])
    words = f"{' and '.join(said)} fell into a bad signal ({reasons})"
    if (len(spoilt) > _MOST_SPOILT * len(firm) or lost_s > _MOST_SPOILT * all_s) and not force:
        raise LabelError(f"{words}: mend the electrodes and repeat the session, or use --force")
    acts = tuple(
        replace(act, optional=True, is_excused=True) if act in spoilt else act for act in labels.acts
    )
    return replace(labels, acts=acts, counted=counted), [words]


def _outside(counted: Sequence[Stretch], bad: Sequence[Stretch]) -> tuple[Stretch, ...]:
    """What is left of the stretches where the signal was good: nothing can be told of the rest."""
    left = list(counted)
    for gone in bad:
        left = [
            piece
            for stretch in left
            for piece in (
                replace(stretch, end_s=min(stretch.end_s, gone.start_s)),
                replace(stretch, start_s=max(stretch.start_s, gone.end_s)),
            )
            if piece.seconds > 0
        ]
    return tuple(left)

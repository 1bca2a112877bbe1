"""Running a detector over a recording, as the daemon would, and scoring what it found."""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from bridge.detectors import DETECTORS
from bridge.detectors.kinds import Tolerance
from bridge.evaluation.families import marks, scorable, scored_kinds, tolerance_for
from bridge.evaluation.matching import Matching, match
from bridge.evaluation.scores import Score, score
from bridge.pipeline import Binding, DetectionChain, Wanted, bind
from bridge.recordings import Recording
from bridge.signals.types import Annotation, Detection, Event

LEARNING_S = 5.0
_BLOCK = 4096


@dataclass(frozen=True, slots=True)
class Run:
    """What one detector found in one recording, and the processor time that detecting took.

    ``columns`` are those of the recording's channels that it worked on. It travels between processes, so it
    names the detector instead of holding it.
    """

    detector: str
    columns: tuple[int, ...]
    detections: tuple[Detection, ...]
    cpu_seconds: float

    @property
    def events(self) -> list[Event]:
        return [item for item in self.detections if isinstance(item, Event)]


def bind_detector(
    recording: Recording,
    detector: str,
    channels: Sequence[str] = (),
    settings: Mapping[str, Any] | None = None,
) -> list[Binding]:
    """Join the detector to the recording's channels. Raises BindingError.

    A detector of one channel is bound once for each channel that suits it.
    """
    return bind(recording.info, [Wanted(detector, channels=tuple(channels), settings=dict(settings or {}))])


def run(recording: Recording, binding: Binding, *, progress: Callable[[float], None] | None = None) -> Run:
    """Feed the whole recording through. ``progress`` is told the seconds of signal done so far.

    Raises BindingError where the sampling rate or the settings do not suit the detector.
    """
    chain = DetectionChain(recording.info, [binding])
    found: list[Detection] = []
    cpu_seconds, done = 0.0, 0
    for block in recording.blocks(_BLOCK):
        before = time.process_time()
        found.extend(chain.process(block))
        cpu_seconds += time.process_time() - before
        done += len(block)
        if progress is not None:
            progress(done / recording.info.rate)
    found.extend(chain.flush())
    own = {recording.info.channels[column].name for column in binding.columns}
    kept = [
        item
        for item in found
        # Signal events of channels the detector does not use say nothing about it.
        if not isinstance(item, Event) or not item.kind.startswith("signal-") or item.channel in own
    ]
    return Run(binding.type.name, binding.columns, tuple(kept), cpu_seconds)


@dataclass(frozen=True, slots=True)
class Evaluation:
    """A scored run: the pairing behind the figures is kept for the plot."""

    kinds: frozenset[str]
    tolerance: Tolerance
    matching: Matching
    score: Score


def evaluate(
    recording: Recording,
    run_: Run,
    reference: Sequence[Annotation],
    *,
    skip_s: float = LEARNING_S,
    tolerance: Tolerance | None = None,
) -> Evaluation:
    """Score a run. ``tolerance`` replaces the default one of instants and intervals alike."""
    kinds = scored_kinds(reference, DETECTORS[run_.detector].events)
    wanted = marks(reference, kinds)
    from_s = recording.first / recording.info.rate + skip_s
    matching = match(
        wanted,
        scorable(run_.detections, kinds),
        from_s=from_s,
        tolerance=tolerance_for if tolerance is None else lambda *_: tolerance,
    )
    shown = tolerance
    if shown is None:
        intervals = bool(wanted) and sum(mark.is_interval for mark in wanted) * 2 > len(wanted)
        shown = tolerance_for(min(kinds), intervals)
    scored_s = max(0.0, recording.seconds - skip_s)
    return Evaluation(kinds, shown, matching, score(matching, recording.seconds, scored_s, run_.cpu_seconds))


@dataclass(frozen=True, slots=True)
class Tally:
    """What was found where there is no reference: counts of each kind's instants and starts."""

    seconds: float
    cpu_seconds: float
    counts: Mapping[str, int] = field(default_factory=dict)

    def to_json(self) -> dict[str, Any]:
        detected = sum(self.counts.values())
        return {
            "detected": detected,
            "per_minute": _per_minute(detected, self.seconds),
            "counts": dict(self.counts),
            "counts_per_minute": {
                kind: _per_minute(count, self.seconds) for kind, count in self.counts.items()
            },
            "seconds": self.seconds,
            "cpu_seconds": self.cpu_seconds,
        }


def tally(recording: Recording, run_: Run, *, skip_s: float = LEARNING_S) -> Tally:
    """Count after the learning time; ``seconds`` is then the signal without it."""
    from_s = recording.first / recording.info.rate + skip_s
    counted = Counter(
        event.kind
        for event in scorable(run_.detections, DETECTORS[run_.detector].tells)
        if event.onset >= from_s
    )
    seconds = max(0.0, recording.seconds - skip_s)
    return Tally(seconds, run_.cpu_seconds, dict(sorted(counted.items())))


def total(tallies: Sequence[Tally]) -> Tally:
    """The counts of all recordings added up."""
    counts: Counter[str] = Counter()
    for item in tallies:
        counts.update(item.counts)
    return Tally(
        sum(item.seconds for item in tallies), sum(item.cpu_seconds for item in tallies), dict(counts)
    )


def _per_minute(count: int, seconds: float) -> float | None:
    return count / (seconds / 60) if seconds > 0 else None

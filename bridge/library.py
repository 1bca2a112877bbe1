"""The public face: what other programs may rely on, as ``import bridge`` shows it.

Three ways in, and nothing here opens a port or sends a key:

- a recording, read from a file or made of an array, through one detector: ``detect``, ``evaluate``, ``fit``;
- a stream that you feed, block by block or sample by sample, through detectors: ``LiveDetection``;
- the same with a rule file behind it: ``LiveRules`` says what would be sent.

Time is sample time in seconds (sample index ÷ rate). Samples are float64 in the channels' units, shape
(n, channels); NaN is a missing sample. demos/guides/library.md has worked examples.
"""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from bridge.calibration.labels import LabelError
from bridge.calibration.profile import Profile, ProfileError, part_of
from bridge.detectors import DETECTORS, SettingsError
from bridge.evaluation import running
from bridge.evaluation.from_recording import calibrate
from bridge.evaluation.scores import Score
from bridge.pipeline import Binding, BindingError, DetectionChain, Outcome, Wanted, bind
from bridge.recordings import ChannelChoice, Recording, RecordingError, read, read_annotations
from bridge.recordings.profile_file import read_profile_file as read_profile
from bridge.recordings.profile_file import write_profile_file as write_profile
from bridge.recordings.recording import Segment
from bridge.rules.actions import Action
from bridge.rules.loader import RuleFileErrors
from bridge.rules.loader import load as _load
from bridge.rules.schema import RuleFile
from bridge.signals.types import (
    Annotation,
    Block,
    Channel,
    Detection,
    Event,
    Level,
    Samples,
    StreamInfo,
    moment,
)
from bridge.sources.person import SyntheticPerson
from bridge.trust.files import read_regular_file

__all__ = [
    "Action",
    "Annotation",
    "BindingError",
    "Channel",
    "ChannelChoice",
    "Event",
    "LabelError",
    "Level",
    "LiveDetection",
    "LiveRules",
    "Outcome",
    "Profile",
    "ProfileError",
    "Recording",
    "RecordingError",
    "RuleFile",
    "RuleFileErrors",
    "Score",
    "SettingsError",
    "StreamInfo",
    "array_of",
    "detect",
    "detector_names",
    "evaluate",
    "fit",
    "parse_rules",
    "read",
    "read_annotations",
    "read_profile",
    "read_rules",
    "recording_of",
    "synthetic",
    "write_profile",
]

_MOST_RULE_BYTES = 4_000_000


def detector_names() -> tuple[str, ...]:
    """The detectors that ``detect``, ``fit`` and ``LiveDetection`` know, such as ``blink``."""
    return tuple(DETECTORS)


# ---- recordings ----


def recording_of(
    samples: ArrayLike,
    channels: Sequence[Channel],
    rate: float,
    annotations: Sequence[Annotation] = (),
) -> Recording:
    """A recording of an array: ``samples`` of shape (n, channels) or, of one channel, (n,); ``rate`` in Hz.

    Raises ValueError where the shape does not fit the channels, or the rate is not above 0.
    """
    info = _info(channels, rate)
    rows = _rows(samples, len(info.channels))
    return Recording(info, [Segment(0, rows)] if len(rows) else [], tuple(annotations))


def array_of(recording: Recording) -> Samples:
    """The samples as one array, shape (n, channels), from the first to the last; lost ones are NaN."""
    rows = np.full((recording.end - recording.first, len(recording.info.channels)), np.nan)
    for block in recording.blocks():
        begin = block.first - recording.first
        rows[begin : begin + len(block)] = block.samples
    return rows


def synthetic(seconds: float, *, seed: int = 0, rate: float = 250.0) -> Recording:
    """A recording of a made-up person, with what the person did as annotations: to try things out.

    Channels ``forehead`` (eeg), ``horizontal`` (eog-horizontal), ``forearm`` (emg), ``chest`` (ecg), in µV.
    It proves nothing about people. Raises ValueError for a rate below 30 Hz or above 10 kHz.
    """
    person = SyntheticPerson(seed, rate)
    samples = person.generate(round(seconds * rate))
    done = [truth.annotation() for truth in person.truth_until(seconds)]
    return Recording(person.info, [Segment(0, samples)], tuple(done))


def detect(
    recording: Recording,
    detector: str,
    *,
    channels: Sequence[str] = (),
    profile: Profile | None = None,
    settings: Mapping[str, Any] | None = None,
) -> list[Event]:
    """The events that a detector finds in a recording, in the order in which they were decided.

    Without ``channels`` it takes those of its kind. ``settings`` win over those of ``profile``. Raises
    BindingError where no channel, the rate or a setting does not suit, or the profile does not hold.
    """
    events = [
        event
        for binding in _bound(
            recording.info, [Wanted(detector, "", tuple(channels), settings or {})], profile
        )
        for event in running.run(recording, binding).events
    ]
    return sorted(events, key=moment)


def evaluate(
    recording: Recording,
    detector: str,
    reference: Sequence[Annotation] | None = None,
    *,
    channels: Sequence[str] = (),
    profile: Profile | None = None,
    settings: Mapping[str, Any] | None = None,
    skip_s: float = running.LEARNING_S,
) -> Score:
    """How well a detector finds what ``reference``, else the recording's annotations, says.

    It scores as the command `evaluate` does. ``skip_s``: the first seconds, in which a detector learns, are
    left out. Where the detector works on one channel at a time and several suit it, name one. Raises
    BindingError.
    """
    wanted = Wanted(detector, "", tuple(channels), settings or {})
    binding = _only(_bound(recording.info, [wanted], profile))
    run = running.run(recording, binding)
    labels = recording.annotations if reference is None else reference
    return running.evaluate(recording, run, labels, skip_s=skip_s).score


def fit(
    recording: Recording,
    detector: str,
    reference: Sequence[Annotation] | None = None,
    *,
    channels: Sequence[str] = (),
    profile: Profile | None = None,
    person: str = "me",
    device: str = "board",
    date: str = "",
    few: bool = False,
) -> Profile:
    """A profile with the detector's settings for this person, and the evidence for them.

    ``reference`` (else the recording's annotations) says when the person did what was asked. ``profile`` is
    one to add to, or to replace the detector's part of. ``date``: ISO 8601, else now. ``few`` takes fewer
    acts than are usually wanted. Raises LabelError when the labels or the signal do not carry a fit,
    BindingError where no channel or the rate does not suit.
    """
    binding = _only(_bound(recording.info, [Wanted(detector, "", tuple(channels))], None))
    labels = recording.annotations if reference is None else reference
    made = calibrate(recording, binding, labels, few=few)
    date = date or datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
    part = part_of(made.fitted, made.channels, recording.info.rate, date)
    old = Profile(person, device) if profile is None else profile
    return Profile(old.person, old.device, {**old.detectors, detector: part})


# ---- streams ----


class _Feed:
    """Numbers the samples of one stream that is fed."""

    def __init__(self, channels: Sequence[Channel], rate: float) -> None:
        self.info = _info(channels, rate)
        self.next = 0

    def block(self, samples: ArrayLike, first: int | None) -> Block:
        if first is not None and first < self.next:
            raise ValueError(f"first is {first}, but samples up to {self.next - 1} were fed already")
        rows = _rows(samples, len(self.info.channels))
        begin = self.next if first is None else first
        self.next = begin + len(rows)
        return Block(rows, begin)

    @property
    def time_s(self) -> float:
        return self.next / self.info.rate


class LiveDetection:
    """Detectors on a stream that you feed: samples in, events and levels out, the same however it is cut.

    Raises BindingError where no channel, the rate (Hz) or a setting does not suit, or ``profile`` does not
    hold; ValueError for a rate that is not above 0.
    """

    def __init__(
        self,
        channels: Sequence[Channel],
        rate: float,
        detectors: Sequence[str],
        *,
        profile: Profile | None = None,
        settings: Mapping[str, Mapping[str, Any]] | None = None,
    ) -> None:
        self._feed = _Feed(channels, rate)
        given = settings or {}
        wanted = [Wanted(name, settings=given.get(name, {})) for name in detectors]
        self._chain = DetectionChain(self._feed.info, _bound(self._feed.info, wanted, profile))

    def feed(self, samples: ArrayLike, *, first: int | None = None) -> list[Detection]:
        """What was decided within these samples, in order.

        ``samples``: shape (n, channels); of one channel also (n,); of several also (channels,), which is one
        sample. ``first``: index of the first of them, where samples were lost before it. Raises ValueError.
        """
        return self._chain.process(self._feed.block(samples, first))

    def end(self) -> list[Detection]:
        """The stream has ended: what was going on ends."""
        return self._chain.flush()


class LiveRules:
    """Detectors and rules on a stream that you feed: samples in, detections and actions out.

    Nothing is sent: what becomes of an ``Action`` is yours. The rules' own source and outputs are not opened.
    Raises BindingError where the stream has no channel for what a rule listens to.
    """

    def __init__(
        self, rules: RuleFile, channels: Sequence[Channel], rate: float, *, profile: Profile | None = None
    ) -> None:
        from bridge.rules.engine import Engine
        from bridge.service.assembly import bindings_for, kinds_heard, pipeline_for

        self._feed = _Feed(channels, rate)
        infos = {"": self._feed.info}
        bound = bindings_for(infos, rules.detectors, kinds_heard(rules), profile)
        self._pipeline = pipeline_for(infos, bound, Engine(rules))

    def feed(self, samples: ArrayLike, *, first: int | None = None) -> Outcome:
        """``detections`` and ``actions`` of these samples; they are as ``LiveDetection.feed`` takes them."""
        return self._pipeline.process(self._feed.block(samples, first))

    def pause(self) -> list[Action]:
        """No rule acts until ``resume``; returns what lets go of held things, and the safe values."""
        return self._pipeline.pause()

    def resume(self) -> list[Action]:
        """Rules act again, as before the pause."""
        return self._pipeline.resume()

    def end(self) -> Outcome:
        """The stream has ended: what was held is let go, safe values come out."""
        return self._pipeline.end(self._feed.time_s)


# ---- rules ----


def parse_rules(text: str, name: str = "rules") -> RuleFile:
    """Rules from text; ``name`` stands in messages. Raises RuleFileErrors with the place of every mistake."""
    return _load(text, name).rules


def read_rules(path: str | Path) -> RuleFile:
    """Rules from a file. Raises RuleFileErrors with the place of every mistake, and OSError."""
    return _load(read_regular_file(Path(path), _MOST_RULE_BYTES), str(path)).rules


# ---- what the above share ----


def _info(channels: Sequence[Channel], rate: float) -> StreamInfo:
    if not channels:
        raise ValueError("at least one channel is needed")
    if not 0 < rate < np.inf:
        raise ValueError(f"the rate must be above 0 Hz, not {rate}")
    return StreamInfo(tuple(channels), float(rate))


def _rows(samples: ArrayLike, channels: int) -> Samples:
    """As shape (n, channels), a copy of its own."""
    rows: Samples = np.array(samples, dtype=np.float64)
    if rows.ndim == 1:
        rows = rows.reshape(-1, 1) if channels == 1 else rows.reshape(1, -1)
    if rows.ndim != 2 or rows.shape[1] != channels:
        raise ValueError(
            f"samples of {channels} channels have the shape (n, {channels}), not {np.shape(samples)}"
        )
    return rows


def _bound(info: StreamInfo, wanted: Sequence[Wanted], profile: Profile | None) -> list[Binding]:
    bindings = bind(info, wanted)
    return bindings if profile is None else [binding.fitted(info, profile) for binding in bindings]


def _only(bindings: Sequence[Binding]) -> Binding:
    if len(bindings) > 1:
        names = ", ".join(binding.name for binding in bindings)
        raise BindingError(f"several channels suit the detector ({names}); name one in `channels`")
    return bindings[0]

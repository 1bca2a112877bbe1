"""The central types: what flows from a source to a rule.

Time in here is *sample time*: seconds since sample 0 of the stream, sample index / sampling rate.
The host's clock is only met at the edges (``Block.received``).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal, TypeAlias, get_args

import numpy as np

from bridge.signals.block import Block as Block
from bridge.signals.block import Samples as Samples

ChannelKind = Literal["eeg", "eog-horizontal", "eog-vertical", "emg", "emg-envelope", "ecg"]
Unit = Literal["uV", "mV", "count"]
Edge = Literal["instant", "start", "end"]

CHANNEL_KINDS: tuple[ChannelKind, ...] = get_args(ChannelKind)
UNITS: tuple[Unit, ...] = get_args(Unit)
EDGES: tuple[Edge, ...] = get_args(Edge)


@dataclass(frozen=True, slots=True)
class Channel:
    """One recorded lead. ``low``/``high`` are the converter's rails in ``unit``, infinite if unknown.

    ``step`` is the converter's resolution in ``unit``, 0 if unknown; a recorder uses it to store raw counts.
    """

    name: str
    kind: ChannelKind
    unit: Unit = "count"
    low: float = -np.inf
    high: float = np.inf
    step: float = 0.0


@dataclass(frozen=True, slots=True)
class StreamInfo:
    """What a source carries: its channels, in the order of a block's columns, and the rate in Hz."""

    channels: tuple[Channel, ...]
    rate: float


@dataclass(frozen=True, slots=True)
class Event:
    """Something the body did (or the signal, for ``signal-lost`` and ``signal-back``).

    ``onset`` (s): the peak of a blink or heartbeat, the movement's start of a shift or contraction.
    ``decided`` (s): when the detector could know; ``decided - onset`` is the algorithm's latency.
    ``values`` are named numbers (amplitude, duration, rate, level; ``deliberate`` is 1 or 0).
    ``unknown`` names values that this event has in principle and that could not be told; JSON has null there.
    ``detector`` is the name of the detector that saw it, as rules know it. ``note`` is for people: why.
    """

    kind: str
    edge: Edge
    onset: float
    decided: float
    channel: str
    values: Mapping[str, float] = field(default_factory=dict)
    confidence: float = 1.0
    detector: str = ""
    note: str = ""
    unknown: tuple[str, ...] = ()

    def to_json(self) -> dict[str, Any]:
        """A plain dictionary, one JSON line of ``detect``."""
        plain: dict[str, Any] = {
            "kind": self.kind,
            "edge": self.edge,
            "onset": self.onset,
            "decided": self.decided,
            "channel": self.channel,
            "values": {**self.values, **dict.fromkeys(self.unknown)},
            "confidence": self.confidence,
            "detector": self.detector,
        }
        if self.note:
            plain["note"] = self.note
        return plain


@dataclass(frozen=True, slots=True)
class Level:
    """A continuous value at a moment of sample time (s), such as ``contraction-level``."""

    kind: str
    time: float
    value: float
    channel: str = ""
    detector: str = ""


@dataclass(frozen=True, slots=True)
class Annotation:
    """A labelled moment or interval of a recording: reference events, cues, marks. Times in seconds."""

    onset: float
    duration: float
    label: str


Detection: TypeAlias = Event | Level


def moment(detection: Detection) -> float:
    """Sample time (s) at which a detection became known."""
    return detection.decided if isinstance(detection, Event) else detection.time

"""The central types: what flows from a source to a rule.

Time in here is *sample time*: seconds since sample 0 of the stream, sample index / sampling rate.
The host's clock is only met at the edges (``Block.received``).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final, Literal, TypeAlias, get_args

import numpy as np
from numpy.typing import NDArray

Samples: TypeAlias = NDArray[np.float64]

ChannelKind = Literal["eeg", "eog-horizontal", "eog-vertical", "emg", "emg-envelope", "ecg"]
Unit = Literal["uV", "mV", "count"]
Edge = Literal["instant", "start", "end"]

CHANNEL_KINDS: tuple[ChannelKind, ...] = get_args(ChannelKind)
UNITS: tuple[Unit, ...] = get_args(Unit)
EDGES: tuple[Edge, ...] = get_args(Edge)

EVENT_KINDS: tuple[str, ...] = (
    "blink",
    "long-closure",
    "gaze-left",
    "gaze-right",
    "gaze-up",
    "gaze-down",
    "looking-left",
    "looking-right",
    "looking-centre",
    "contraction",
    "heartbeat",
    "drowsiness",
    "alpha",
    "signal-lost",
    "signal-back",
    "fit-lost",
    "fit-back",
)
LEVEL_KINDS: tuple[str, ...] = (
    "contraction-level",
    "gaze-angle",
    "heart-rate",
    "heart-variability",
    "alpha-level",
    "drowsiness-level",
)


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


class Block:
    """Samples in a row: float64 of shape (n, channels), starting at sample index ``first``.

    Lost samples show as a jump in ``first`` from one block to the next, never as invented data.
    ``received`` is the host's monotonic clock in seconds when the last sample arrived, where known.
    A block never changes. Boards send sample by sample, and then several are made of each: so it is no
    frozen dataclass, which takes three times as long to make, and one sample alone stays in plain numbers
    until somebody asks for an array.
    """

    __slots__ = ("_row", "_samples", "first", "received")

    def __init__(self, samples: Samples | list[float], first: int, received: float | None = None) -> None:
        """``samples``: shape (n, channels), or a list with one sample of each channel."""
        self._samples: Samples | None = None
        self._row: list[float] | None = None
        if isinstance(samples, list):
            self._row = samples
        else:
            self._samples = samples
        self.first: Final = first
        self.received: Final = received

    @property
    def samples(self) -> Samples:
        if self._samples is None:
            self._samples = np.array([self._row], dtype=np.float64)
        return self._samples

    @property
    def row(self) -> list[float] | None:
        """The values of a block of one sample, by channel; None for a block of any other length."""
        if self._row is None and self._samples is not None and len(self._samples) == 1:
            self._row = self._samples[0].tolist()
        return self._row

    def part(self, columns: slice | list[int]) -> Block:
        """The same samples of these columns alone."""
        row = self.row
        if row is None:
            return Block(self.samples[:, columns], self.first, self.received)
        part = row[columns] if isinstance(columns, slice) else [row[column] for column in columns]
        return Block(part, self.first, self.received)

    def __len__(self) -> int:
        return 1 if self._samples is None else int(self._samples.shape[0])

    @property
    def end(self) -> int:
        """Index of the sample that would come next."""
        return self.first + len(self)


@dataclass(frozen=True, slots=True)
class Event:
    """Something the body did (or the signal, for ``signal-lost`` and ``signal-back``).

    ``onset`` (s): the peak of a blink or heartbeat, the movement's start of a shift or contraction.
    ``decided`` (s): when the detector could know; ``decided - onset`` is the algorithm's latency.
    ``values`` are named numbers (amplitude, duration, rate, level; ``deliberate`` is 1 or 0).
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

    def to_json(self) -> dict[str, Any]:
        """A plain dictionary, one JSON line of ``detect``."""
        plain: dict[str, Any] = {
            "kind": self.kind,
            "edge": self.edge,
            "onset": self.onset,
            "decided": self.decided,
            "channel": self.channel,
            "values": dict(self.values),
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

"""Lids by a stated model, behind amplifiers that were not there when the detector was made.

A blink closes in about 100 ms and reopens a little slower (Stern 1984, second-hand): two half Gaussians. A
closure closes as fast, stays and reopens. An AC-coupled amplifier is a first-order high-pass of a stated time
constant. Noise is white, in µV.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np
from scipy import signal

from bridge.detectors import DETECTORS
from bridge.signals.types import Block, Channel, ChannelKind, Event, Samples

RATE_HZ = 250.0


def resting(seconds: float, *, noise_uv: float = 5.0, seed: int = 1) -> Samples:
    """Noise alone, shape (n,)."""
    return np.random.default_rng(seed).normal(0.0, noise_uv, round(seconds * RATE_HZ))


def blinks(
    seconds: float, heights: Mapping[float, float], closing_s: float = 0.05, reopening_s: float = 0.07
) -> Samples:
    """Blinks of these heights at these times; the durations are those of half a Gaussian (its sigma)."""
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    x = np.zeros(len(t))
    for at, height in heights.items():
        away = t - at
        x += height * np.exp(-0.5 * (away / np.where(away < 0, closing_s, reopening_s)) ** 2)
    return x


def closures(seconds: float, spans: Iterable[tuple[float, float]], height: float) -> Samples:
    """Closed eyes from one time to another, each edge 100 ms."""
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    x = np.zeros(len(t))
    for start, end in spans:
        x += height * (np.clip((t - start) / 0.1, 0, 1) - np.clip((t - end) / 0.1, 0, 1))
    return x


def looks(seconds: float, sizes: Mapping[float, float]) -> Samples:
    """Shifts of gaze by these sizes at these times, each 50 ms long (about 10 degrees)."""
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    return np.sum([size * np.clip((t - at) / 0.05, 0, 1) for at, size in sizes.items()], axis=0)


def coupled(x: Samples, time_constant_s: float) -> Samples:
    """Behind a first-order high-pass; 0 leaves the signal as it is."""
    if not time_constant_s:
        return x
    b, a = signal.butter(1, 1 / (2 * math.pi * time_constant_s), "highpass", fs=RATE_HZ)
    return np.asarray(signal.lfilter(b, a, x))


def detect(x: Samples, kind: ChannelKind = "eeg", settings: Mapping[str, Any] | None = None) -> list[Event]:
    detector = DETECTORS["blink"].create("blink", [Channel("c", kind)], RATE_HZ, settings or {})
    found = [*detector.process(Block(x[:, None], 0)), *detector.flush()]
    return [item for item in found if isinstance(item, Event)]


def found(events: Sequence[Event], times: Iterable[float]) -> tuple[int, int]:
    """How many of these blinks were found within 150 ms of their peaks, and how many others were."""
    onsets = [event.onset for event in events if event.kind == "blink"]
    hits = {at: [onset for onset in onsets if abs(onset - at) <= 0.15] for at in times}
    return sum(bool(near) for near in hits.values()), len(onsets) - sum(map(len, hits.values()))

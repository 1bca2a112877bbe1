"""The sampling rate and the gaps of a column of time stamps."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np

from bridge.recordings.recording import RecordingError
from bridge.signals.types import Samples

# Time stamps taken by a host come in bursts; a period is measured over this many samples.
_WINDOW = 64


@dataclass(frozen=True, slots=True)
class Spacing:
    """``runs``: (sample index of the first, first row, row after the last) of each stretch without a gap."""

    rate: float
    runs: tuple[tuple[int, int, int], ...]


def spacing(times: Samples, rate: float | None, where: Path) -> Spacing:
    """Rate and gaps from time stamps in seconds, one a row.

    The rate is the slope of a line through all stamps, gaps taken out, rounded where the stamps cannot tell
    it from a rounder number. A gap is a step of more than 1.5 periods after which the stamps stay late.
    Raises RecordingError for stamps that are missing or go back.
    """
    count = times.size
    bad = np.flatnonzero(~np.isfinite(times))
    if bad.size:
        raise RecordingError(f"{where}, row {int(bad[0]) + 1} below the header", "its time is missing")
    steps = np.diff(times)
    back = np.flatnonzero(steps < 0)
    if back.size:
        row = int(back[0]) + 2
        raise RecordingError(f"{where}, row {row} below the header", "its time is before the row above it")
    if count < 2 or times[-1] <= times[0]:
        if rate is None:
            raise RecordingError(where, "too few rows to measure the sampling rate", "give it with --rate HZ")
        return Spacing(rate, ((round(float(times[0]) * rate), 0, count),))

    width = min(_WINDOW, max(1, (count - 1) // 4))
    period = float(np.median((times[width:] - times[:-width]) / width))
    if period <= 0:
        period = float(times[-1] - times[0]) / (count - 1)
    missing = _missing(times, steps, period, width)
    index = np.arange(count, dtype=np.float64)
    index[1:] += np.cumsum(missing)
    centred = index - index.mean()
    slope = float(centred @ (times - times.mean()) / (centred @ centred))
    measured = _rounded(1.0 / slope, float(index[-1]))
    if rate is not None:
        if abs(rate / measured - 1) > 0.05:
            raise RecordingError(
                where, f"its times say {measured:g} Hz, not {rate:g} Hz", "leave --rate out or correct it"
            )
        measured = rate
    origin = round(float(times.mean() - slope * index.mean()) * measured)
    starts = np.concatenate(([0], np.flatnonzero(missing) + 1, [count])).astype(int)
    runs = tuple(
        (origin + round(float(index[start])), int(start), int(stop)) for start, stop in pairwise(starts)
    )
    return Spacing(measured, runs)


def _missing(times: Samples, steps: Samples, period: float, width: int) -> Samples:
    """How many samples are missing before each row but the first."""
    from scipy import ndimage

    missing = np.zeros(steps.size)
    candidates = np.flatnonzero(steps > 1.5 * period)
    if candidates.size == 0:
        return missing
    late = times / period - np.arange(times.size)
    size = width | 1
    reach = size // 2
    # The least lateness of the rows before and after: one stamp can be late by chance, a whole window cannot.
    after = ndimage.minimum_filter1d(late, size, origin=-reach, mode="nearest")[1:]
    before = ndimage.minimum_filter1d(late, size, origin=reach, mode="nearest")[:-1]
    # Where stamps jitter much, even the least lateness wanders: a gap must stand out from that.
    wander = float(np.median(np.abs(after - before)))
    threshold = np.full(steps.size, max(0.5, 12.0 * wander))
    # Near the end there are too few rows to tell a gap from rows that are late by chance.
    spread = float(np.quantile(late[1:] - after, 0.99))
    threshold[-size:] = np.maximum(threshold[-size:], 1.5 * spread)
    last = 0
    for row in candidates[(after - before)[candidates] > threshold[candidates]]:
        shift = round(float(after[row] - late[max(last, row + 1 - size) : row + 1].min()))
        if shift >= max(1.0, threshold[row]):
            missing[row] = shift
            last = row + 1
    return missing


def _rounded(rate: float, span: float) -> float:
    """The roundest rate that differs from ``rate`` by less than a quarter of a sample over the whole span."""
    for digits in range(4):
        candidate = round(rate, digits)
        if candidate > 0 and abs(candidate / rate - 1) * span < 0.25:
            return candidate
    return rate

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
# Stamps lie on a grid if all but a hundredth are nearer to it than this, in periods. A stamp rounded to
# milliseconds is half a millisecond away at most: 0.18 at 360 Hz.
_ON_GRID = 0.3
# By this share of what a stamp is off, the grid follows a clock that drifts.
_FOLLOWS = 0.05


@dataclass(frozen=True, slots=True)
class Spacing:
    """``runs``: (sample index of the first, first row, row after the last) of each stretch without a gap."""

    rate: float
    runs: tuple[tuple[int, int, int], ...]


def spacing(times: Samples, rate: float | None, where: Path) -> Spacing:
    """Rate and gaps from time stamps in seconds, one a row.

    The rate is the slope of a line through all stamps, gaps taken out, rounded where the stamps cannot tell
    it from a rounder number. Where the stamps lie on a grid, each step is as many periods as it is long, and
    scattered losses are no slower clock. Where they do not (a host's stamps, in bursts), a gap is a step of
    more than 1.5 periods after which the stamps stay late.
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

    missing = _missing_on_grid(times, steps)
    if missing is None:
        width = min(_WINDOW, max(1, (count - 1) // 4))
        period = float(np.median((times[width:] - times[:-width]) / width))
        if period <= 0:
            period = float(times[-1] - times[0]) / (count - 1)
        missing = _missing_in_jitter(times, steps, period, width)
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


def _missing_on_grid(times: Samples, steps: Samples) -> Samples | None:
    """How many samples are missing before each row but the first; None where the stamps are on no grid."""
    usual = float(np.median(steps))
    if usual <= 0:
        return None
    single = steps[np.abs(steps - usual) < 0.5 * usual]
    period = float(single.mean())
    if not (steps > 1.5 * period).any() and float(np.quantile(np.abs(steps / period - 1), 0.99)) <= _ON_GRID:
        return np.zeros(steps.size)
    missing, off = [], []
    at = float(times[0])  # where the grid is
    for time in times[1:].tolist():
        periods = max(1, round((time - at) / period))
        late = time - at - periods * period
        at += periods * period + _FOLLOWS * late
        # The first guess at the period is as good as its single steps; long ones tell it better.
        period += 0.1 * _FOLLOWS * _FOLLOWS * late / periods
        missing.append(periods - 1.0)
        off.append(abs(late))
    return np.array(missing) if float(np.quantile(off, 0.99)) <= _ON_GRID * period else None


def _missing_in_jitter(times: Samples, steps: Samples, period: float, width: int) -> Samples:
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

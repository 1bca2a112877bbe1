"""A person's blinks, measured round their labels in the signal itself, whatever the detector makes of them.

What differs between people and amplifiers is which way a blink points, how high and how wide it is, and how
fast the amplifier pulls it back. All of that is read off the joined, low-passed signal at the labelled times;
the detector's own decisions play no part, so nobody is refused for blinks of an unusual form.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np

from bridge.calibration.labels import Act, LabelError
from bridge.calibration.separation import area_under_curve
from bridge.calibration.trials import Run
from bridge.detectors.blink import DELAY_S, BlinkSettings
from bridge.signals.types import Samples

# A reference marks the peak within this; the base is the signal before the lid can have begun to close.
_NEAR_S = 0.15
# The rebound of an AC-coupled amplifier may be as high as its blink, but peaks later than this.
_AT_PEAK_S = 0.06
_AROUND_S = 0.45
_BASE_TO_S = 0.25
# Labels that mark blinks stand out from the times between them: the probability that a labelled moment holds
# the higher pulse. 0.5 is chance; real references reach 0.9 and more, so between them is room.
_STANDS_OUT = 0.7
_FEWEST_BETWEEN = 5
_APART_S = 1.2
# Beyond the widths that were seen, for those that were not.
_WIDTH_MARGIN = 1.25


@dataclass(frozen=True, slots=True)
class Lids:
    """One person's blinks behind one amplifier: heights in the signal's unit, widths at half height."""

    polarity: int
    heights: tuple[float, ...]
    widths_s: tuple[float, ...]

    def settings(self) -> dict[str, Any]:
        """What the detector can be told of them."""
        own = BlinkSettings()
        narrow, wide = np.quantile(self.widths_s, (0.05, 0.95)).tolist()
        shortest_s = max(0.03, min(own.shortest_s, narrow / _WIDTH_MARGIN))
        found: dict[str, Any] = {
            "polarity": "positive" if self.polarity > 0 else "negative",
            "height": float(np.median(self.heights)),
            "width_s": float(np.clip(np.median(self.widths_s), 0.03, 0.5)),
        }
        if shortest_s < own.shortest_s:
            found["shortest_s"] = shortest_s
        if wide * _WIDTH_MARGIN > own.longest_s:
            found["longest_s"] = min(0.6, wide * _WIDTH_MARGIN)
        return found


def measure(run: Run, acts: Sequence[Act], optional: Sequence[Act] = ()) -> Lids:
    """The blinks at these acts, whose times are those of their peaks; ``optional`` ones may be blinks too.

    Raises LabelError where the signal shows no more at the labels than between them.
    """
    times = [act.time_s for act in acts]
    rows = [row for time_s in times if (row := _row(run, time_s)) is not None]
    if len(rows) < 3:
        raise LabelError(
            f"the signal was usable at {len(rows)} of {len(times)} labelled blinks: electrodes off, "
            "or samples lost"
        )
    unsure = [act.time_s for act in optional]
    middles = [
        (before + after) / 2 for before, after in pairwise(sorted(times)) if after - before >= 2 * _APART_S
    ]
    between = [
        row
        for middle in middles
        if all(abs(middle - time_s) >= _AROUND_S for time_s in unsure)
        and (row := _row(run, middle)) is not None
    ]
    at_peak = {sign: [_pulse(sign * row, run.rate_hz, _AT_PEAK_S)[0] for row in rows] for sign in (1, -1)}
    polarity = 1 if np.median(at_peak[1]) >= np.median(at_peak[-1]) else -1
    found = [_pulse(polarity * row, run.rate_hz) for row in rows]
    if len(between) >= _FEWEST_BETWEEN:
        quiet = [_pulse(polarity * row, run.rate_hz)[0] for row in between]
        area = area_under_curve([height for height, _ in found], quiet)
        if area is not None and area < _STANDS_OUT:
            raise LabelError(
                "the signal shows no more at the labelled blinks than between them: nobody acted, the "
                "labels belong to another recording, or the electrodes are off"
            )
    return Lids(polarity, tuple(height for height, _ in found), tuple(width for _, width in found))


def _row(run: Run, time_s: float) -> Samples | None:
    """The signal round a moment, over its base; None where it is not all there."""
    reach = round(_AROUND_S * run.rate_hz)
    at = round((time_s + DELAY_S) * run.rate_hz) - run.first
    if at < reach or at + reach >= len(run.conditioned):
        return None
    row = run.conditioned[at - reach : at + reach + 1]
    if not np.isfinite(row).all():
        return None
    base = row[: round((_AROUND_S - _BASE_TO_S) * run.rate_hz) + 1]
    return np.asarray(row - np.median(base), dtype=np.float64)


def _pulse(row: Samples, rate_hz: float, near_s: float = _NEAR_S) -> tuple[float, float]:
    """Height over the base and width in seconds at half of it, of the highest point near the middle."""
    middle, near = len(row) // 2, round(near_s * rate_hz)
    peak = middle - near + int(np.argmax(row[middle - near : middle + near + 1]))
    height = max(float(row[peak]), math.ulp(0.0))
    above = row > 0.5 * height
    low = high = peak
    while low > 0 and above[low - 1]:
        low -= 1
    while high < len(row) - 1 and above[high + 1]:
        high += 1
    return height, (high - low + 1) / rate_hz

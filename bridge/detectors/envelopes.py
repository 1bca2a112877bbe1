"""Envelopes of many streams at once: a class of thirty, an installation of a thousand electrodes.

Where a detector of its own for each stream would cost too much and a level is all that is wanted, the signals
of one kind of all streams go through their band in one call. Each comes out as it would alone, bit for bit.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from bridge.detectors.lead import BEYOND
from bridge.detectors.muscle import SMOOTHING_S, emg_band
from bridge.detectors.qrs import NARROW_HZ
from bridge.signals.filters import FilterBank, design_band, running_mean
from bridge.signals.types import Channel, ChannelKind, Samples

_ALPHA_HZ = (8.0, 13.0)  # the eyes-closed rhythm (common practice)
_EYES_HZ = (0.5, 10.0)  # blinks and saccades (common practice)
_SLOW_S = 0.1  # time constant of the running mean of the squares, where it is not a muscle's


def _band(kind: ChannelKind, rate_hz: float) -> Samples:
    if kind == "emg":
        return emg_band(rate_hz)
    if kind == "ecg":
        return design_band(rate_hz, *NARROW_HZ, notch_hz=(50.0, 60.0))
    if kind == "eeg":
        return design_band(rate_hz, *_ALPHA_HZ, notch_hz=(50.0, 60.0))
    if kind == "emg-envelope":
        return design_band(rate_hz, high_hz=min(10.0, 0.4 * rate_hz))
    return design_band(rate_hz, *_EYES_HZ, notch_hz=(50.0, 60.0))


class ManyEnvelopes:
    """The envelope of every channel of ``streams`` streams that carry the same channels at the same rate."""

    def __init__(self, channels: Sequence[Channel], rate_hz: float, streams: int) -> None:
        """Raises SamplingRateError where the rate cannot carry a channel's band."""
        self._shape = (streams, len(channels))
        self._groups: list[tuple[list[int], FilterBank, FilterBank]] = []
        for kind in sorted({channel.kind for channel in channels}):
            columns = [number for number, channel in enumerate(channels) if channel.kind == kind]
            width = streams * len(columns)
            mean = running_mean(rate_hz, SMOOTHING_S if kind == "emg" else _SLOW_S)
            self._groups.append((columns, FilterBank(_band(kind, rate_hz), width), FilterBank(mean, width)))

    def process(self, samples: Samples) -> Samples:
        """The next samples, shape (streams, channels, n) with n > 0, in any unit.

        Returns the root mean square of each channel's band at the last of them, shape (streams, channels), in
        the same unit. A channel with a value that is no number gives NaN and starts anew with the next block.
        """
        told = np.empty(self._shape)
        for columns, band, mean in self._groups:
            own = samples if len(columns) == samples.shape[1] else samples[:, columns]
            x = own.reshape(-1, samples.shape[2])
            unusable = _unusable(x)
            if unusable is not None:
                x = np.where(unusable[:, np.newaxis], 0.0, x)
            y = band.process(x)
            np.multiply(y, y, out=y)
            last = np.sqrt(mean.process(y)[:, -1])
            if unusable is not None:
                last[unusable] = np.nan
                band.reset(unusable)
                mean.reset(unusable)
            told[:, columns] = last.reshape(self._shape[0], -1)
        return told


def _unusable(x: Samples) -> NDArray[np.bool_] | None:
    """Which signals hold a value that cannot be filtered; None where all are well."""
    if x.min() > -BEYOND and x.max() < BEYOND:  # false where there is a NaN
        return None
    unusable: NDArray[np.bool_] = np.logical_not((np.abs(x) < BEYOND).all(axis=1))
    return unusable

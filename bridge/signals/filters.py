"""Causal filters that carry their state from block to block.

Every filter is seeded from the first sample it sees, as if that value had stood there for ever, so what
comes out does not depend on how the signal was cut into blocks. Coefficients come from ``scipy.signal``,
imported when a filter is designed.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from bridge.signals.types import Samples

# Measured: one call of scipy's sosfilt costs as much as about 60 plain-Python section steps.
_SCALAR_STEPS = 60


class SamplingRateError(ValueError):
    """The sampling rate cannot carry the band that was asked for."""


def design_band(
    rate_hz: float,
    low_hz: float | None = None,
    high_hz: float | None = None,
    *,
    order: int = 2,
    notch_hz: Sequence[float] = (),
    notch_quality: float = 30.0,
) -> Samples:
    """Second-order sections (shape (k, 6)) of a Butterworth band with mains notches in the same cascade.

    ``low_hz`` alone makes a high-pass, ``high_hz`` alone a low-pass, both a band-pass. A notch that lies
    above 0.45 of the sampling rate is left out: nothing of it can be in the signal unaliased.
    Raises SamplingRateError when an edge is not below half the sampling rate, or nothing is asked for.
    """
    from scipy import signal

    nyquist_hz = rate_hz / 2
    for edge_hz in (low_hz, high_hz):
        if edge_hz is not None and not 0 < edge_hz < nyquist_hz:
            raise SamplingRateError(
                f"a band edge of {edge_hz:g} Hz needs a sampling rate above {2 * edge_hz:g} Hz, "
                f"not {rate_hz:g} Hz"
            )

    sections = []
    if low_hz is not None and high_hz is not None:
        if low_hz >= high_hz:
            raise SamplingRateError(f"a band from {low_hz:g} to {high_hz:g} Hz is empty at {rate_hz:g} Hz")
        sections.append(signal.butter(order, [low_hz, high_hz], "bandpass", fs=rate_hz, output="sos"))
    elif low_hz is not None:
        sections.append(signal.butter(order, low_hz, "highpass", fs=rate_hz, output="sos"))
    elif high_hz is not None:
        sections.append(signal.butter(order, high_hz, "lowpass", fs=rate_hz, output="sos"))
    sections.extend(
        signal.tf2sos(*signal.iirnotch(mains_hz, notch_quality, fs=rate_hz))
        for mains_hz in notch_hz
        if mains_hz < 0.45 * rate_hz
    )
    if not sections:
        raise SamplingRateError("a filter needs a band edge or a notch below half the sampling rate")
    return np.ascontiguousarray(np.vstack(sections), dtype=np.float64)


class CausalFilter:
    """A cascade of second-order sections over one channel, transposed direct form II.

    Short blocks run in plain Python, long ones through ``scipy.signal.sosfilt``: the same arithmetic in the
    same order.
    """

    def __init__(self, sos: Samples) -> None:
        from scipy import signal

        self._sos = np.ascontiguousarray(sos, dtype=np.float64)
        self._sections = [(b0, b1, b2, a1, a2) for b0, b1, b2, _, a1, a2 in self._sos.tolist()]
        self._steady: Samples = signal.sosfilt_zi(self._sos)
        self._state: list[list[float]] | None = None

    def reset(self) -> None:
        """Forget the past: the next sample seeds the filter."""
        self._state = None

    def process(self, x: Samples) -> Samples:
        """Filter the next samples, shape (n,); returns as many."""
        if x.shape[0] == 0:
            return x.astype(np.float64)
        if self._state is None:
            self._state = (self._steady * float(x[0])).tolist()
        if x.shape[0] * len(self._sections) > _SCALAR_STEPS:
            from scipy import signal

            y, state = signal.sosfilt(self._sos, x, zi=np.asarray(self._state))
            self._state = state.tolist()
            return np.asarray(y, dtype=np.float64)
        return np.array([self.step(value) for value in x.tolist()], dtype=np.float64)

    def step(self, value: float) -> float:
        """Filter one sample."""
        state = self._state
        if state is None:
            state = self._state = (self._steady * value).tolist()
        for (b0, b1, b2, a1, a2), z in zip(self._sections, state, strict=True):
            y = b0 * value + z[0]
            z[0] = b1 * value - a1 * y + z[1]
            z[1] = b2 * value - a2 * y
            value = y
        return value

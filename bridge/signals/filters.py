"""Causal filters that carry their state from block to block.

Every filter is seeded from the first sample it sees, as if that value had stood there for ever, so what
comes out does not depend on how the signal was cut into blocks.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from bridge.signals.butterworth import band_sections, notch_section, steady_state
from bridge.signals.sections import Cascade, run_sections
from bridge.signals.types import Samples


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
    ``order`` is even. Raises SamplingRateError when an edge is not below half the sampling rate, or nothing
    is asked for.
    """
    nyquist_hz = rate_hz / 2
    for edge_hz in (low_hz, high_hz):
        if edge_hz is not None and not 0 < edge_hz < nyquist_hz:
            raise SamplingRateError(
                f"a band edge of {edge_hz:g} Hz needs a sampling rate above {2 * edge_hz:g} Hz, "
                f"not {rate_hz:g} Hz"
            )

    if low_hz is not None and high_hz is not None and low_hz >= high_hz:
        raise SamplingRateError(f"a band from {low_hz:g} to {high_hz:g} Hz is empty at {rate_hz:g} Hz")
    sections = []
    if low_hz is not None or high_hz is not None:
        sections.append(band_sections(order, rate_hz, low_hz, high_hz))
    sections.extend(
        notch_section(mains_hz, notch_quality, rate_hz) for mains_hz in notch_hz if mains_hz < 0.45 * rate_hz
    )
    if not sections:
        raise SamplingRateError("a filter needs a band edge or a notch below half the sampling rate")
    return np.ascontiguousarray(np.vstack(sections), dtype=np.float64)


def running_mean(rate_hz: float, time_constant_s: float) -> Samples:
    """A section (shape (1, 6)) that takes the exponential running mean."""
    keep = float(np.exp(-1 / (time_constant_s * rate_hz)))
    return np.array([[1 - keep, 0.0, 0.0, 1.0, -keep, 0.0]])


class CausalFilter:
    """A cascade of second-order sections over one channel, transposed direct form II."""

    def __init__(self, sos: Samples) -> None:
        self._bank = FilterBank(sos, 1)

    def reset(self) -> None:
        """Forget the past: the next sample seeds the filter."""
        self._bank.reset()

    def process(self, x: Samples) -> Samples:
        """Filter the next samples, shape (n,); returns as many."""
        y: Samples = self._bank.process(x[np.newaxis])[0]
        return y

    def step(self, value: float) -> float:
        """Filter one sample."""
        return self._bank.step_one(value)


class FilterBank:
    """The same cascade over many signals, one call for all of them: the call is what costs.

    Each signal comes out as by a CausalFilter of its own, bit for bit.
    """

    def __init__(self, sos: Samples, width: int) -> None:
        self._sos = np.ascontiguousarray(sos, dtype=np.float64)
        self._steady = steady_state(self._sos)
        self._state: Samples = np.zeros((width, *self._steady.shape))
        # What holds the state while single samples come; empty while the array does.
        self._cascades: list[Cascade] = []
        self._fresh = np.ones(width, dtype=np.bool_)
        self._any_fresh = True

    def reset(self, which: NDArray[np.bool_] | None = None) -> None:
        """Forget the past of ``which`` signals (shape (width,)), else of all: the next sample seeds them."""
        self._fresh |= True if which is None else which
        self._any_fresh = bool(self._fresh.any())

    def process(self, x: Samples) -> Samples:
        """Filter the next samples, shape (width, n); returns as many."""
        y = np.array(x, dtype=np.float64, order="C")
        if y.shape[1] > 0:
            self._gather(y[:, 0])
            run_sections(self._sos, y, self._state)
        return y

    def step(self, values: list[float]) -> list[float]:
        """Filter one sample of each signal."""
        if self._any_fresh or not self._cascades:
            self._scatter(values)
        cascades = self._cascades
        return [cascades[number].step(value) for number, value in enumerate(values)]

    def step_one(self, value: float) -> float:
        """Filter one sample of the only signal."""
        if self._any_fresh or not self._cascades:
            self._scatter([value])
        return self._cascades[0].step(value)

    def _scatter(self, values: list[float]) -> None:
        """Cascades hold the state; new signals are seeded from ``values``."""
        self._gather(np.array(values))
        self._cascades = [Cascade(self._sos, state) for state in self._state]

    def _gather(self, values: Samples) -> None:
        """The state is the array again; new signals are seeded from ``values``, shape (width,)."""
        if self._cascades:
            self._state = np.array([cascade.state for cascade in self._cascades])
            self._cascades = []
        if self._any_fresh:
            fresh = self._fresh
            self._state[fresh] = self._steady * values[fresh, np.newaxis, np.newaxis]
            fresh[:] = False
            self._any_fresh = False

"""Coefficients of Butterworth bands and notches, worked out with numpy alone.

``scipy.signal`` designs the same filters, but takes most of a second and 50 MB to import, which a daemon
that wants two dozen numbers should not pay. Prototype, band transform and bilinear transform are the
textbook ones (Oppenheim & Schafer, from memory); the tests hold them to ``scipy.signal``, sections' order
included.
"""

from __future__ import annotations

from math import cos, pi, prod, sin, tan

import numpy as np

from bridge.signals.types import Samples

_RATE = 2.0  # of the bilinear transform: edges are given in units of half the sampling rate


def band_sections(order: int, rate_hz: float, low_hz: float | None, high_hz: float | None) -> Samples:
    """Second-order sections, shape (k, 6): the pole pair nearest the unit circle last, the gain in the first.

    ``order`` is even: then all poles come in complex pairs. At least one edge is given, each below half the
    rate.
    """
    if order < 2 or order % 2:
        raise ValueError(f"order must be even and 2 or more, not {order}")
    half = np.exp(1j * np.pi * np.arange(-order + 1, order, 2) / (2 * order))
    poles = -half
    if low_hz is not None and high_hz is not None:
        low, high = _warped(low_hz, rate_hz), _warped(high_hz, rate_hz)
        scaled = poles * (high - low) / 2
        root = np.sqrt(scaled**2 - low * high)
        poles = np.concatenate([scaled + root, scaled - root])
        zeros = np.zeros(order)
        gain = (high - low) ** order
    elif low_hz is not None:
        edge = _warped(low_hz, rate_hz)
        gain = float(np.real(1 / np.prod(-poles)))
        poles = edge / poles
        zeros = np.zeros(order)
    else:
        assert high_hz is not None
        edge = _warped(high_hz, rate_hz)
        poles = poles * edge
        zeros = np.zeros(0)
        gain = edge**order
    twice = 2 * _RATE
    gain *= float(np.real(np.prod(twice - zeros) / np.prod(twice - poles)))
    placed = [1.0] * len(zeros) + [-1.0] * (len(poles) - len(zeros))
    return _paired(placed, (twice + poles) / (twice - poles), gain)


def lowpass_delay_s(order: int, high_hz: float) -> float:
    """Delay of slow signals through a low-pass: the s term of its denominator, 1 / sin(pi / 2 order)."""
    return 1 / (sin(pi / (2 * order)) * 2 * pi * high_hz)


def notch_section(at_hz: float, quality: float, rate_hz: float) -> Samples:
    """One section, shape (1, 6), with a zero at ``at_hz`` and the -3 dB band ``at_hz / quality`` wide."""
    angle = 2 * pi * at_hz / rate_hz
    gain = 1 / (1 + tan(angle / quality / 2))
    middle = -2 * cos(angle)
    return np.array([[gain, gain * middle, gain, 1.0, gain * middle, 2 * gain - 1]])


def steady_state(sos: Samples) -> Samples:
    """State of each section, shape (k, 2), after the input has been 1 for ever."""
    state = np.empty((len(sos), 2))
    level = 1.0
    for row, (b0, b1, b2, _, a1, a2) in enumerate(sos.tolist()):
        out = level * (b0 + b1 + b2) / (1.0 + a1 + a2)
        second = b2 * level - a2 * out
        state[row] = (b1 + b2) * level - (a1 + a2) * out, second
        level = out
    return state


def _warped(edge_hz: float, rate_hz: float) -> float:
    return 2 * _RATE * tan(pi * (2 * edge_hz / rate_hz) / _RATE)


def _paired(zeros: list[float], poles: Samples, gain: float) -> Samples:
    """Each pole pair with the two zeros nearest it, beginning with the pair nearest the unit circle."""
    pairs = sorted((complex(pole) for pole in poles if pole.imag > 0), key=lambda pole: 1 - abs(pole))
    left = list(zeros)
    sections = []
    for pole in pairs:
        own = []
        for _ in range(2):
            nearest = min(left, key=lambda zero: abs(zero - pole))
            left.remove(nearest)
            own.append(nearest)
        sections.append(
            [1.0, -sum(own), prod(own), 1.0, -2 * pole.real, pole.real * pole.real + pole.imag * pole.imag]
        )
    table = np.array(sections[::-1])
    table[0, :3] *= gain
    return table

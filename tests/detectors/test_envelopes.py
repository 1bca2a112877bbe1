"""Envelopes of many streams: each as scipy's own filters give it alone, whatever the others hold."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from bridge.detectors.envelopes import ManyEnvelopes
from bridge.detectors.muscle import EmgAmplitude
from bridge.signals.filters import CausalFilter, FilterBank, SamplingRateError, design_band
from bridge.signals.types import Channel, Samples

RATE_HZ = 250.0
CHANNELS = (
    Channel("forehead", "eeg"),
    Channel("horizontal", "eog-horizontal"),
    Channel("forearm", "emg"),
    Channel("chest", "ecg"),
    Channel("calf", "emg"),
)


def signals(streams: int, seconds: float, seed: int = 1) -> Samples:
    random = np.random.default_rng(seed)
    n = round(seconds * RATE_HZ)
    scale = 10 ** random.uniform(0, 4, (streams, len(CHANNELS), 1))
    drift = np.cumsum(random.normal(0, 0.02, (streams, len(CHANNELS), n)), axis=2)
    return np.asarray(scale * (random.normal(0, 1, (streams, len(CHANNELS), n)) + drift + 5))


def cut(n: int, seed: int) -> list[int]:
    random = np.random.default_rng(seed)
    sizes = random.choice([1, 2, 8, 37], n)
    bounds = [0, *np.cumsum(sizes).tolist()]
    return [*[bound for bound in bounds if bound < n], n]


def by_scipy(x: Samples, band: list[Samples], smoothing_s: float) -> Samples:
    """Butterworth and notch designs, sosfilt and lfilter of scipy.signal, seeded by sosfilt_zi."""
    sos = np.vstack(band)
    y = signal.sosfilt(sos, x, zi=signal.sosfilt_zi(sos) * x[0])[0]
    keep = np.exp(-1 / (smoothing_s * RATE_HZ))
    square = y * y
    mean = signal.lfilter([1 - keep], [1, -keep], square, zi=[keep * square[0]])[0]
    return np.asarray(np.sqrt(mean))


def notches(frequencies: list[float], quality: float) -> list[Samples]:
    return [signal.tf2sos(*signal.iirnotch(hz, quality, RATE_HZ)) for hz in frequencies]


def butter(order: int, edges: float | list[float], kind: str) -> Samples:
    return np.asarray(signal.butter(order, edges, kind, fs=RATE_HZ, output="sos"))


EXPECTED = {
    # kind: (band, seconds of smoothing); a band-pass of order N in scipy's count has N sections
    "eeg": ([butter(2, [8, 13], "bandpass"), *notches([50, 60], 30)], 0.1),
    "eog-horizontal": ([butter(2, [0.5, 10], "bandpass"), *notches([50, 60], 30)], 0.1),
    # 180 Hz folds to 70 Hz, and 120 Hz lies beside half the rate, which has a first-order low-pass.
    "emg": ([butter(4, 20, "highpass"), *notches([50, 60, 100, 70], 10), butter(1, 120, "lowpass")], 0.02),
    "ecg": ([butter(2, [8, 20], "bandpass"), *notches([50, 60], 30)], 0.1),
}


def test_every_stream_is_as_scipy_has_it_alone() -> None:
    x = signals(7, 4)
    many = ManyEnvelopes(CHANNELS, RATE_HZ, 7)
    bounds = cut(x.shape[2], 3)
    for first, last in pairwise(bounds):
        told = many.process(x[:, :, first:last])
        assert told.shape == (7, len(CHANNELS))
        if last < RATE_HZ:
            continue
        for stream in (0, 6):
            for column, channel in enumerate(CHANNELS):
                expected = by_scipy(x[stream, column, :last], *EXPECTED[channel.kind])[-1]
                assert told[stream, column] == pytest.approx(expected, rel=1e-6)


def test_the_muscles_envelope_is_that_of_its_detector() -> None:
    """The detector adds the converter's rounding noise, which is nothing beside this signal."""
    x = signals(2, 3)
    told = ManyEnvelopes(CHANNELS, RATE_HZ, 2).process(x)
    detectors = EmgAmplitude([0], RATE_HZ)
    logs = [detectors.step([value]) for value in x[1, 2].tolist()]
    assert told[1, 2] == pytest.approx(np.exp(logs[-1]), rel=1e-3)


def test_one_stream_does_not_touch_another() -> None:
    x = signals(3, 2)
    broken = x.copy()
    broken[1, 2, 130] = np.nan
    broken[1, 0, 330:] = np.inf
    whole, hurt = ManyEnvelopes(CHANNELS, RATE_HZ, 3), ManyEnvelopes(CHANNELS, RATE_HZ, 3)
    fresh = ManyEnvelopes(CHANNELS, RATE_HZ, 1)
    for first in range(0, x.shape[2], 20):
        part = slice(first, first + 20)
        a, b = whole.process(x[:, :, part]), hurt.process(broken[:, :, part])
        lost = np.zeros((3, len(CHANNELS)), dtype=bool)
        lost[1, 2] = first == 120
        lost[1, 0] = first >= 320
        np.testing.assert_array_equal(np.isnan(b), lost)
        other = np.ones_like(lost)
        other[1, 2] = other[1, 0] = False
        np.testing.assert_array_equal(a[other], b[other])
        if first >= 140:
            # It began anew, as a stream of its own would.
            assert b[1, 2] == fresh.process(x[1:2, :, part])[0, 2]


def test_a_rate_that_cannot_carry_a_band_is_refused() -> None:
    with pytest.raises(SamplingRateError, match="20 Hz"):
        ManyEnvelopes(CHANNELS, 30.0, 2)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.integers(1, 30), min_size=1, max_size=8),
    st.integers(1, 5),
    st.sets(st.integers(0, 7)),
    st.integers(0, 2**32 - 1),
)
def test_a_bank_is_as_many_single_filters(sizes: list[int], width: int, resets: set[int], seed: int) -> None:
    random = np.random.default_rng(seed)
    sos = design_band(RATE_HZ, 1.0, 40.0, notch_hz=(50.0,))
    bank, alone = FilterBank(sos, width), [CausalFilter(sos) for _ in range(width)]
    for number, size in enumerate(sizes):
        x = random.normal(0, 1000, (width, size))
        if number in resets:
            which = random.random(width) < 0.5
            bank.reset(which)
            for one, chosen in zip(alone, which, strict=True):
                if chosen:
                    one.reset()
        expected = np.array([one.process(row) for one, row in zip(alone, x, strict=True)])
        if size == 1:
            assert bank.step(x[:, 0].tolist()) == expected[:, 0].tolist()
        else:
            np.testing.assert_array_equal(bank.process(x), expected)

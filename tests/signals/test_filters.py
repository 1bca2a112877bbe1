"""Causal filters: any split gives the same output, and the output is what scipy designs."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from bridge.signals.filters import CausalFilter, SamplingRateError, design_band
from bridge.signals.types import Samples

RATE_HZ = 250.0
DESIGNS = {
    "band": design_band(RATE_HZ, 0.5, 30.0, notch_hz=(50.0,)),
    "high": design_band(RATE_HZ, 20.0, order=4),
    "low": design_band(RATE_HZ, high_hz=6.0),
}


def gain(sos: Samples, at_hz: float, rate_hz: float = RATE_HZ) -> float:
    return float(abs(signal.sosfreqz(sos, [at_hz], fs=rate_hz)[1][0]))


def run(sos: Samples, x: Samples, cuts: list[int]) -> Samples:
    causal = CausalFilter(sos)
    return np.concatenate([causal.process(part) for part in np.split(x, cuts)])


@pytest.mark.parametrize("name", DESIGNS)
@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 10_000), cuts=st.lists(st.integers(0, 600), max_size=12))
def test_any_split_is_bit_identical(name: str, seed: int, cuts: list[int]) -> None:
    x = np.random.default_rng(seed).normal(300, 50, 600)
    whole = CausalFilter(DESIGNS[name]).process(x)
    np.testing.assert_array_equal(run(DESIGNS[name], x, sorted(cuts)), whole)


@pytest.mark.parametrize("name", DESIGNS)
def test_sample_by_sample_is_bit_identical(name: str) -> None:
    x = np.random.default_rng(1).normal(-20, 5, 400)
    whole = CausalFilter(DESIGNS[name]).process(x)
    np.testing.assert_array_equal(run(DESIGNS[name], x, list(range(1, 400))), whole)
    stepping = CausalFilter(DESIGNS[name])
    np.testing.assert_array_equal([stepping.step(value) for value in x.tolist()], whole)


@pytest.mark.parametrize("name", DESIGNS)
def test_it_is_what_scipy_gives_when_seeded_alike(name: str) -> None:
    sos = DESIGNS[name]
    x = np.random.default_rng(2).normal(1000, 10, 500)
    expected, _ = signal.sosfilt(sos, x, zi=signal.sosfilt_zi(sos) * x[0])
    # Not to the bit: the seed is worked out by another formula than scipy's, the run is the same.
    np.testing.assert_allclose(CausalFilter(sos).process(x), expected, rtol=1e-12, atol=1e-9)


@pytest.mark.parametrize("offset", [0.0, 1.0, -32768.0, 4e5])
def test_a_constant_makes_no_transient(offset: float) -> None:
    """An electrode's offset of hundreds of millivolts must not ring through the first seconds."""
    y = CausalFilter(DESIGNS["band"]).process(np.full(1000, offset))
    assert np.abs(y).max() <= 1e-6 * max(1.0, abs(offset))
    np.testing.assert_allclose(CausalFilter(DESIGNS["low"]).process(np.full(1000, offset)), offset, rtol=1e-9)


def test_the_past_alone_counts() -> None:
    x = np.random.default_rng(3).normal(0, 1, 500)
    changed = x.copy()
    changed[300:] += 100
    sos = DESIGNS["band"]
    np.testing.assert_array_equal(
        CausalFilter(sos).process(x)[:300], CausalFilter(sos).process(changed)[:300]
    )


def test_reset_is_a_fresh_start() -> None:
    x = np.random.default_rng(4).normal(7, 1, 300)
    causal = CausalFilter(DESIGNS["band"])
    first = causal.process(x)
    causal.process(x * 5)
    causal.reset()
    np.testing.assert_array_equal(causal.process(x), first)


def test_empty_and_input_untouched() -> None:
    causal = CausalFilter(DESIGNS["band"])
    assert causal.process(np.empty(0)).shape == (0,)
    x = np.random.default_rng(5).normal(0, 1, 200)
    x.flags.writeable = False
    assert causal.process(x).shape == (200,)


def test_edges_are_where_power_is_halved() -> None:
    """A Butterworth filter's edges are its -3 dB points (any textbook on filters)."""
    sos = design_band(RATE_HZ, 8.0, 20.0)
    assert gain(sos, 8.0) == pytest.approx(np.sqrt(0.5), rel=1e-6)
    assert gain(sos, 20.0) == pytest.approx(np.sqrt(0.5), rel=1e-6)
    assert gain(sos, 13.0) == pytest.approx(1.0, abs=0.02)
    assert gain(sos, 1.0) < 0.02


@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
def test_the_notch_takes_the_mains_and_little_else(mains_hz: float) -> None:
    sos = design_band(RATE_HZ, 0.5, 100.0, notch_hz=(mains_hz,))
    plain = design_band(RATE_HZ, 0.5, 100.0)
    assert gain(sos, mains_hz) < 1e-6
    for at_hz in (5.0, 20.0, mains_hz - 8, mains_hz + 8):
        assert gain(sos, at_hz) == pytest.approx(gain(plain, at_hz), rel=0.05)


def test_a_notch_that_the_rate_cannot_carry_is_left_out() -> None:
    with_both = design_band(125.0, 1.0, 40.0, notch_hz=(50.0, 60.0))
    np.testing.assert_array_equal(with_both, design_band(125.0, 1.0, 40.0, notch_hz=(50.0,)))


@pytest.mark.parametrize(
    ("low_hz", "high_hz"), [(20.0, 70.0), (None, 62.5), (65.0, None), (0.0, 10.0), (30.0, 20.0), (None, None)]
)
def test_what_the_rate_cannot_carry_is_refused(low_hz: float | None, high_hz: float | None) -> None:
    with pytest.raises(SamplingRateError, match=r"Hz|band edge"):
        design_band(125.0, low_hz, high_hz)

"""Our coefficients and our way to scipy's compiled loop against ``scipy.signal``'s public functions."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from bridge.signals import sections
from bridge.signals.butterworth import band_sections, lowpass_delay_s, notch_section, steady_state

RATES_HZ = (83.33, 125.0, 200.0, 250.0, 256.0, 360.0, 500.0, 1000.0, 2000.0)
EDGES_HZ = ((3.0, 35.0), (8.0, 20.0), (0.5, 30.0), (20.0, None), (0.1, None), (None, 6.0), (None, 30.0))


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("order", [2, 4])
@pytest.mark.parametrize(("low_hz", "high_hz"), EDGES_HZ)
def test_a_band_is_the_one_scipy_designs(
    rate_hz: float, order: int, low_hz: float | None, high_hz: float | None
) -> None:
    if low_hz is not None and high_hz is not None:
        expected = signal.butter(order, [low_hz, high_hz], "bandpass", fs=rate_hz, output="sos")
    elif low_hz is not None:
        expected = signal.butter(order, low_hz, "highpass", fs=rate_hz, output="sos")
    else:
        expected = signal.butter(order, high_hz, "lowpass", fs=rate_hz, output="sos")
    ours = band_sections(order, rate_hz, low_hz, high_hz)
    np.testing.assert_allclose(ours, expected, rtol=1e-10, atol=1e-12)
    frequencies_hz = np.geomspace(0.5, 0.49 * rate_hz, 50)
    _, h = signal.sosfreqz(ours, frequencies_hz, fs=rate_hz)
    _, reference = signal.sosfreqz(expected, frequencies_hz, fs=rate_hz)
    np.testing.assert_allclose(h, reference, rtol=1e-9, atol=1e-12)


@pytest.mark.parametrize("rate_hz", [rate for rate in RATES_HZ if rate > 120])
@pytest.mark.parametrize("quality", [8.0, 30.0])
def test_a_notch_is_the_one_scipy_designs(rate_hz: float, quality: float) -> None:
    expected = signal.tf2sos(*signal.iirnotch(50.0, quality, fs=rate_hz))
    np.testing.assert_allclose(notch_section(50.0, quality, rate_hz), expected, rtol=1e-10, atol=1e-14)


def test_the_steady_state_is_the_one_scipy_gives() -> None:
    for low_hz, high_hz in EDGES_HZ:
        sos = np.vstack([band_sections(2, 250.0, low_hz, high_hz), notch_section(50.0, 30.0, 250.0)])
        np.testing.assert_allclose(steady_state(sos), signal.sosfilt_zi(sos), rtol=1e-9, atol=1e-12)


@pytest.mark.parametrize("order", [2, 4, 6])
def test_the_delay_of_slow_signals_is_the_group_delay_at_zero(order: int) -> None:
    b, a = signal.butter(order, 2 * np.pi * 12.0, "lowpass", analog=True)
    _, response = signal.freqs(b, a, np.array([0.0, 1e-3]))
    delay_s = -np.angle(response[1] / response[0]) / 1e-3
    assert lowpass_delay_s(order, 12.0) == pytest.approx(delay_s, rel=1e-6)


def test_odd_orders_are_refused() -> None:
    with pytest.raises(ValueError, match="even"):
        band_sections(3, 250.0, 1.0, 30.0)


@pytest.mark.parametrize("shape", [(1, 1), (1, 7), (1, 500), (5, 1), (5, 300), (64, 8)])
def test_all_ways_to_run_sections_give_the_same_bits(shape: tuple[int, int]) -> None:
    """Plain Python, the public function and the compiled loop: a fallback changes no event."""
    sos = np.vstack([band_sections(2, 250.0, 3.0, 35.0), notch_section(50.0, 8.0, 250.0)])
    rng = np.random.default_rng(4)
    x, state = rng.normal(0, 100, shape), rng.normal(0, 10, (shape[0], len(sos), 2))
    expected, after = signal.sosfilt(sos, x, zi=state.transpose(1, 0, 2))
    loop = sections.compiled()
    assert loop is not None, "this scipy has no compiled loop where it is looked for: the daemon runs slower"
    for run in (sections.run_in_python, sections.run_by_scipy, loop):
        y, z = x.copy(), state.copy()
        run(sos, y, z)
        np.testing.assert_array_equal(y, expected)
        np.testing.assert_array_equal(z, after.transpose(1, 0, 2))


def test_a_loop_that_computes_something_else_is_not_used(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sections, "_agrees", lambda run: False)
    assert sections.compiled() is None


def test_a_scipy_without_the_loop_falls_back(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sections, "_MODULE", "_not_there")
    assert sections.compiled() is None

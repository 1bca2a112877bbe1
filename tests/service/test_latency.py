"""The latency histogram against numpy's own quantiles and histogram."""

from __future__ import annotations

import numpy as np
import pytest

from bridge.service.latency import BOUNDS_S, Latency


def test_quantiles_agree_with_numpy_nearest_rank() -> None:
    values = np.random.default_rng(1).lognormal(-8, 1, 999)
    latency = Latency()
    for value in values:
        latency.add(float(value))
    for share in (0.5, 0.99):
        expected = float(np.quantile(values, share, method="inverted_cdf"))
        assert latency.quantile_s(share) == pytest.approx(expected)


def test_counts_agree_with_numpy_histogram() -> None:
    values = np.random.default_rng(2).lognormal(-6, 3, 500)
    latency = Latency()
    for value in values:
        latency.add(float(value))
    expected, _ = np.histogram(values, bins=[-np.inf, *BOUNDS_S, np.inf])
    assert latency.counts == expected.tolist()
    assert len(latency) == 500
    assert latency.total_s == pytest.approx(values.sum())


def test_memory_is_bounded_and_the_newest_values_count() -> None:
    latency = Latency(keep=10)
    for value in [1.0] * 50 + [2.0] * 10:
        latency.add(value)
    assert latency.quantile_s(0.0) == 2.0
    assert len(latency) == 60


def test_nothing_measured_gives_nothing() -> None:
    assert Latency().quantile_s(0.5) is None

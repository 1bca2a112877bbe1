"""Intervals against scipy.stats, published worked examples and simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from bridge.calibration.intervals import binomial_interval, next_count_per, next_hits, poisson_interval


@pytest.mark.parametrize(
    ("hits", "trials"), [(0, 10), (1, 10), (5, 10), (10, 10), (18, 20), (95, 100), (3, 7)]
)
@pytest.mark.parametrize("level", [0.9, 0.95, 0.99])
def test_binomial_agrees_with_scipy(hits: int, trials: int, level: float) -> None:
    ours = binomial_interval(hits, trials, level)
    theirs = stats.binomtest(hits, trials).proportion_ci(level, method="exact")
    assert ours.low == pytest.approx(theirs.low, abs=1e-10)
    assert ours.high == pytest.approx(theirs.high, abs=1e-10)


def test_binomial_worked_example() -> None:
    # NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.4, exact limits: 4 defectives in 20, 90 %:
    # 0.071354 to 0.401029 (the example read there, its limits from memory).
    interval = binomial_interval(4, 20, 0.90)
    assert interval.low == pytest.approx(0.071354, abs=1e-6)
    assert interval.high == pytest.approx(0.401029, abs=1e-6)


@pytest.mark.parametrize("count", [0, 1, 2, 10, 57])
@pytest.mark.parametrize("minutes", [0.5, 1.0, 12.0])
def test_poisson_agrees_with_scipy(count: int, minutes: float) -> None:
    ours = poisson_interval(count, minutes)
    low = stats.chi2.ppf(0.025, 2 * count) / 2 if count else 0.0
    high = stats.chi2.ppf(0.975, 2 * (count + 1)) / 2
    assert ours.low == pytest.approx(low / minutes, abs=1e-9)
    assert ours.high == pytest.approx(high / minutes, rel=1e-9)


def test_poisson_worked_example() -> None:
    # Garwood 1936, table of 95 % limits: 10 events, 4.80 to 18.39; none, 0 to 3.69 (figures from memory).
    assert poisson_interval(10, 1).low == pytest.approx(4.80, abs=0.005)
    assert poisson_interval(10, 1).high == pytest.approx(18.39, abs=0.005)
    assert poisson_interval(0, 1).high == pytest.approx(3.69, abs=0.005)


@pytest.mark.parametrize(("hits", "trials", "ahead"), [(20, 20, 20), (18, 20, 20), (0, 12, 30), (7, 12, 50)])
def test_next_hits_agrees_with_scipy(hits: int, trials: int, ahead: int) -> None:
    ours = next_hits(hits, trials, ahead)
    theirs = stats.betabinom(ahead, hits + 0.5, trials - hits + 0.5)
    assert ours.low * ahead == pytest.approx(theirs.ppf(0.025))
    assert ours.high * ahead == pytest.approx(theirs.ppf(0.975))


@pytest.mark.parametrize(
    ("count", "minutes", "ahead"), [(0, 2.0, 10.0), (1, 1.0, 5.0), (9, 3.0, 3.0), (40, 10.0, 60.0)]
)
def test_next_count_agrees_with_scipy(count: int, minutes: float, ahead: float) -> None:
    ours = next_count_per(count, minutes, ahead)
    theirs = stats.nbinom(count + 0.5, minutes / (minutes + ahead))
    assert ours.low * ahead == pytest.approx(theirs.ppf(0.025))
    assert ours.high * ahead == pytest.approx(theirs.ppf(0.975))


def test_predictions_cover_what_a_model_person_does() -> None:
    """True rates are drawn anew each time: the 95 % intervals hold at least 93 % of the sessions."""
    random = np.random.default_rng(7)
    rates = random.beta(18, 2, 2000)
    held = [
        h / 20 in next_hits(k, 20, 20)
        for k, h in zip(random.binomial(20, rates), random.binomial(20, rates), strict=True)
    ]
    assert np.mean(held) >= 0.93
    per_minute = random.gamma(2.0, 0.4, 2000)
    held = [
        c / 10 in next_count_per(int(k), 3.0, 10.0)
        for k, c in zip(random.poisson(3 * per_minute), random.poisson(10 * per_minute), strict=True)
    ]
    assert np.mean(held) >= 0.93


def test_twenty_good_acts_predict_within_a_third() -> None:
    for hits in (18, 19, 20):
        assert next_hits(hits, 20, 20).width <= 0.35


def test_nothing_seen_says_nothing() -> None:
    assert binomial_interval(0, 0).low == 0.0
    assert binomial_interval(0, 0).high == 1.0
    assert math.isinf(poisson_interval(0, 0).high)


def test_impossible_counts_are_refused() -> None:
    with pytest.raises(ValueError, match="impossible"):
        binomial_interval(3, 2)
    with pytest.raises(ValueError, match="impossible"):
        poisson_interval(-1, 2)
    with pytest.raises(ValueError, match="at least one act"):
        next_hits(1, 2, 0)
    with pytest.raises(ValueError, match="above 0"):
        next_count_per(1, 0, 1)
    with pytest.raises(ValueError, match="between 0 and 1"):
        binomial_interval(1, 2, 1.0)

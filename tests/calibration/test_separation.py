"""d' and the area under the curve against scikit-learn and scipy, with a textbook example."""

from __future__ import annotations

import math
from importlib import import_module

import numpy as np
import pytest
from scipy import stats

from bridge.calibration.separation import area_under_curve, d_prime, d_prime_of_rates

RANDOM = np.random.default_rng(3)
PAIRS = [
    (RANDOM.normal(2, 1, 40), RANDOM.normal(0, 1, 60)),
    (RANDOM.lognormal(1, 0.5, 15), RANDOM.lognormal(0, 0.9, 200)),
    (np.round(RANDOM.normal(0.3, 1, 30)), np.round(RANDOM.normal(0, 1, 30))),  # many ties
]


@pytest.mark.parametrize(("acts", "others"), PAIRS)
def test_area_agrees_with_scipy(acts: np.ndarray, others: np.ndarray) -> None:
    u = stats.mannwhitneyu(acts, others).statistic
    assert area_under_curve(list(acts), list(others)) == pytest.approx(u / (len(acts) * len(others)))


@pytest.mark.parametrize(("acts", "others"), PAIRS)
def test_area_agrees_with_scikit_learn(acts: np.ndarray, others: np.ndarray) -> None:
    metrics = import_module("sklearn.metrics")
    labels = np.r_[np.ones(len(acts)), np.zeros(len(others))]
    reference = metrics.roc_auc_score(labels, np.r_[acts, others])
    assert area_under_curve(list(acts), list(others)) == pytest.approx(reference)


@pytest.mark.parametrize(("acts", "others"), PAIRS)
def test_d_prime_agrees_with_scikit_learn(acts: np.ndarray, others: np.ndarray) -> None:
    """Linear discriminants with equal priors: their covariance is the mean of the classes' variances."""
    analysis = import_module("sklearn.discriminant_analysis")
    # It divides by n where we divide by n - 1; equal counts make that one factor.
    count = min(len(acts), len(others))
    a, b = acts[:count], others[:count]
    model = analysis.LinearDiscriminantAnalysis(priors=[0.5, 0.5], store_covariance=True)
    model.fit(np.r_[a, b][:, None], np.r_[np.ones(count), np.zeros(count)])
    distance = float(np.diff(model.means_[:, 0])[0] / np.sqrt(model.covariance_[0, 0]))
    assert d_prime(list(a), list(b)) == pytest.approx(distance * math.sqrt((count - 1) / count))


def test_d_prime_worked_example() -> None:
    # Macmillan & Creelman, Detection Theory, 2nd ed., chapter 1: hit rate 0.8, false-alarm rate 0.4,
    # d' = 0.842 + 0.253 = 1.095 (from memory).
    assert d_prime_of_rates(0.8, 0.4) == pytest.approx(1.095, abs=5e-4)


def test_d_prime_and_area_agree_for_normal_values() -> None:
    # Green & Swets 1966: area = Phi(d' / sqrt 2) for normal distributions.
    acts, others = RANDOM.normal(1.5, 1, 20000), RANDOM.normal(0, 1, 20000)
    expected = stats.norm.cdf((d_prime(acts, others) or 0.0) / math.sqrt(2))
    assert area_under_curve(acts, others) == pytest.approx(expected, abs=0.01)


def test_too_little_gives_none() -> None:
    assert d_prime([1.0], [0.0, 2.0]) is None
    assert d_prime([1.0, 1.0], [1.0, 1.0]) is None
    assert area_under_curve([], [1.0]) is None
    with pytest.raises(ValueError, match="no finite z"):
        d_prime_of_rates(1.0, 0.2)

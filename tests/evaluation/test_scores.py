"""Figures of scored recordings: intervals against scipy.stats, gross and average figures as EC57 has them."""

from __future__ import annotations

import json
import math

import pytest
from scipy import stats

from bridge.evaluation.scores import Score, average, gross, latency_ms


def scored(
    found: int, missed: int, false: int, minutes: float = 1.0, latencies_s: tuple[float, ...] = ()
) -> Score:
    return Score(found, missed, false, 0, latencies_s, minutes * 60 + 5, minutes * 60, 0.1)


def test_a_worked_example() -> None:
    """90 of 100 found, 10 false in 5 minutes: 0.9 and 0.9, F1 0.9, 2 a minute (computed by hand)."""
    own = scored(90, 10, 10, minutes=5)
    assert (own.sensitivity, own.ppv, own.f1, own.false_per_minute) == pytest.approx((0.9, 0.9, 0.9, 2.0))


@pytest.mark.parametrize(("found", "missed", "false"), [(90, 10, 10), (0, 7, 3), (25, 0, 0), (1, 0, 40)])
def test_intervals_are_those_of_scipy_stats(found: int, missed: int, false: int) -> None:
    """Clopper-Pearson by scipy.stats.binomtest; Garwood by scipy.stats.chi2, its usual form."""
    intervals = scored(found, missed, false, minutes=5).to_json()["intervals_95"]
    exact = stats.binomtest(found, found + missed).proportion_ci(0.95, method="exact")
    assert intervals["sensitivity"] == pytest.approx([exact.low, exact.high])
    exact = stats.binomtest(found, found + false).proportion_ci(0.95, method="exact")
    assert intervals["ppv"] == pytest.approx([exact.low, exact.high])
    low = stats.chi2.ppf(0.025, 2 * false) / 2 if false else 0.0
    high = stats.chi2.ppf(0.975, 2 * false + 2) / 2
    assert intervals["false_per_minute"] == pytest.approx([low / 5, high / 5])


def test_gross_adds_counts_up_and_average_means_the_recordings() -> None:
    """A long recording weighs more in the gross figure only (ANSI/AAMI EC57 asks for both, from memory)."""
    long, short = scored(900, 100, 0, minutes=30), scored(5, 5, 0, minutes=1)
    assert gross([long, short]).sensitivity == pytest.approx(905 / 1010)
    assert average([long, short])["sensitivity"] == pytest.approx((0.9 + 0.5) / 2)
    assert gross([long, short]).scored_seconds == pytest.approx(31 * 60)


def test_a_recording_without_the_thing_says_nothing_about_finding_it() -> None:
    rest, acts = scored(0, 0, 3, minutes=3), scored(8, 2, 0)
    assert average([rest, acts])["sensitivity"] == pytest.approx(0.8)
    assert average([rest, acts])["false_per_minute"] == pytest.approx(0.5)
    assert rest.to_json()["sensitivity"] is None


def test_nothing_at_all_is_plain_json_too() -> None:
    empty = Score(0, 0, 0, 0, (), 3.0, 0.0, 0.0)
    plain = json.loads(json.dumps(empty.to_json(), allow_nan=False))
    assert plain["f1"] is None
    assert plain["false_per_minute"] is None
    assert math.isnan(empty.f1)


def test_latency_in_milliseconds() -> None:
    assert latency_ms([0.1, 0.2, 0.6]) == {"median": 200.0, "p95": 560.0, "max": 600.0}
    assert latency_ms([]) == {"median": None, "p95": None, "max": None}

"""Heart rate variability against the worked example of the Task Force's definitions and plain formulas."""

from __future__ import annotations

from importlib import import_module

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from bridge.detectors.variability import Variability, figures_of


def fed(intervals_ms: list[float], window_s: float = 60.0) -> Variability:
    variability = Variability(window_s)
    time_s = 0.0
    for rr_ms in intervals_ms:
        time_s += rr_ms / 1000
        variability.add(time_s, rr_ms)
    return variability


def test_worked_example() -> None:
    """RR 800, 810, 790, 850, 830 ms (computed; definitions of the Task Force 1996, second-hand)."""
    intervals = [800.0, 810.0, 790.0, 850.0, 830.0]
    figures = figures_of(intervals, np.diff(intervals).tolist(), 0)
    assert figures.sdnn_ms == pytest.approx(24.08, abs=0.005)  # n - 1; with n it would be 21.54
    assert figures.rmssd_ms == pytest.approx(33.54, abs=0.005)
    assert figures.pnn50 == 25.0  # of the four differences; of the five intervals it would be 20


def test_a_library_agrees() -> None:
    hrv_time = import_module("neurokit2").hrv_time
    rng = np.random.default_rng(2)
    intervals = np.round(rng.normal(800, 25, 75)).tolist()  # more than a minute, none off by 20 %
    figures = fed(intervals, window_s=sum(intervals) / 1000 - 0.001).figures
    assert figures is not None
    assert figures.set_aside == 0
    peaks = np.cumsum([0.0, *intervals]).astype(int)
    theirs = hrv_time({"ECG_R_Peaks": peaks}, sampling_rate=1000)
    assert figures.sdnn_ms == pytest.approx(float(theirs["HRV_SDNN"].iloc[0]))
    assert figures.rmssd_ms == pytest.approx(float(theirs["HRV_RMSSD"].iloc[0]))


@given(st.lists(st.integers(700, 790), min_size=100, max_size=200))
def test_it_equals_the_formulas_over_the_last_minute(whole: list[int]) -> None:
    intervals = [float(item) for item in whole]
    figures = fed(intervals).figures
    times = np.cumsum(intervals) / 1000
    assume(np.abs(times - (times[-1] - 60)).min() > 1e-6)  # on the edge of the minute rounding decides
    last = np.array(intervals)[times > times[-1] - 60]
    differences = np.diff(np.array(intervals))[times[1:] > times[-1] - 60]
    assert figures is not None
    assert figures.normal == len(last)
    assert figures.sdnn_ms == pytest.approx(np.std(last, ddof=1), abs=1e-9)
    assert figures.rmssd_ms == pytest.approx(np.sqrt(np.mean(differences**2)))
    assert figures.pnn50 == pytest.approx(100 * np.mean(np.abs(differences) > 50))


def test_nothing_before_a_minute() -> None:
    assert fed([800.0] * 74).figures is None
    assert fed([800.0] * 76).figures is not None


def test_an_ectopic_beat_is_set_aside_with_its_pause() -> None:
    """A premature beat (500 ms), its pause (1100 ms) and the return are more than 20 % off (Malik)."""
    figures = fed([800.0] * 50 + [500.0, 1100.0] + [800.0] * 50).figures
    assert figures is not None
    assert figures.set_aside == 3
    assert figures.sdnn_ms == 0.0
    assert figures.rmssd_ms == 0.0


@pytest.mark.parametrize("rr_ms", [299.0, 2001.0])
def test_intervals_no_heart_has_are_set_aside(rr_ms: float) -> None:
    around = 290.0 if rr_ms < 1000 else 2100.0
    variability = fed([around, rr_ms, around])
    assert variability.figures is None
    figures = fed([*[around] * 3, *[700.0] * 100, rr_ms]).figures
    assert figures is not None
    assert figures.set_aside == 1


def test_mostly_ectopic_minutes_give_nothing() -> None:
    assert fed([500.0, 1100.0] * 60).figures is None


def test_an_interruption_gives_no_difference_across_it() -> None:
    variability = fed([800.0] * 60)
    variability.interrupt()
    for number in range(60):
        variability.add(60 + number, 900.0)
    figures = variability.figures
    assert figures is not None
    assert figures.rmssd_ms == 0.0


def test_memory_is_a_window() -> None:
    variability = fed([600.0] * 5000)
    assert len(variability._kept) <= 101
